"""Pictures for README.md from the page's tests: ``python -m tests.proofs.pictures``."""

from __future__ import annotations

import sys

from PIL import Image

from api.http.page_files import PAGE_DIRECTORY
from tests.kits.page.browser import PICTURES

NAMES = (
    "now-phone",
    "first-look-phone",
    "gauge-phone",
    "trip-phone",
    "prepare-phone",
    "runs-phone",
    "rig-phone",
    "now-desk",
)
TARGET = PAGE_DIRECTORY / "screenshots"
COLOURS = 128
ALL_BYTES = 900_000


def shrink() -> int:
    """Write the small pictures and return their size together, bytes.

    Raises: FileNotFoundError before the tests of the page ran.
    """
    TARGET.mkdir(exist_ok=True)
    for name in NAMES:
        with Image.open(PICTURES / f"readme-{name}.png") as taken:
            small = taken.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        small.save(TARGET / f"{name}.png", optimize=True)
    return sum((TARGET / f"{name}.png").stat().st_size for name in NAMES)


if __name__ == "__main__":
    total = shrink()
    print(f"{len(NAMES)} pictures, {total} bytes in {TARGET}")
    sys.exit(total > ALL_BYTES)
