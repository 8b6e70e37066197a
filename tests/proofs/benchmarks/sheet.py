"""Row 7 and its growth: measuring an A4 sheet at 1200 dpi, against Pillow opening the file."""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from tests.proofs.benchmarks.artwork import A4_PX_1200, artwork, measured, run, shaded
from tests.proofs.benchmarks.table import Line, Place, compared, grown, interleaved

OPENING = (
    "import sys; from PIL import Image; Image.MAX_IMAGE_PIXELS = None; "
    "Image.open(sys.argv[1]).load()"
)
KINDS = ("grey", "one-bit")
SHAPES = 2500


def draw(folder: Path, dpi: int) -> None:
    """Write both kinds of sheet, in a separate process.

    A child's peak memory starts from its parent's.
    """
    Image.MAX_IMAGE_PIXELS = None
    width, height = (round(side * dpi / 1200) for side in A4_PX_1200)
    plain = artwork(width, height, SHAPES)
    shaded(plain).save(folder / f"grey-{dpi}.png", "PNG", dpi=(dpi, dpi))
    plain.convert("1").save(folder / f"one-bit-{dpi}.png", "PNG", dpi=(dpi, dpi))


def _measure(path: Path) -> tuple[float, int]:
    """Return processor time in s and peak memory in MB of measuring."""
    _, used_s, peak_mb, output = measured(path)
    assert "result" in json.loads(output), output[:300]
    return used_s, peak_mb


def sheets(quick: bool) -> list[Line]:
    dpi, repetitions = 1200, 1 if quick else 5
    # A hundredfold number of pixels; a sheet below 100 dpi is refused.
    steps = (100, 316, 600) if quick else (100, 316, 1000)
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for each in {dpi, *steps}:
            run([sys.executable, "-m", "tests.proofs.benchmarks.sheet", name, str(each)])
        for kind in KINDS:
            lines += _against_pillow(
                folder / f"{kind}-{dpi}.png", f"A4 at {dpi} dpi, {kind} PNG", repetitions
            )
        lines += [_growth(folder, kind, steps, 1 if quick else 3) for kind in KINDS]
    return lines


def _against_pillow(path: Path, what: str, repetitions: int) -> list[Line]:
    peaks_mb: list[tuple[float, float]] = []

    def remembering(
        peaks: list[float], used: Callable[[], tuple[float, int]]
    ) -> Callable[[], float]:
        def call() -> float:
            used_s, peak_mb = used()
            peaks.append(float(peak_mb))
            return used_s

        return call

    mine_mb: list[float] = []
    pillow_mb: list[float] = []
    pairs = interleaved(
        remembering(mine_mb, lambda: _measure(path)),
        remembering(pillow_mb, lambda: run([sys.executable, "-c", OPENING, str(path)])[1:3]),
        repetitions,
    )
    peaks_mb += list(zip(mine_mb, pillow_mb, strict=True))
    baseline = "Pillow reading the file alone"
    memory = Place(400.0, of_figure=True, unit="MB")
    return [
        compared(7, f"{what}, whole processes", pairs, "processor s", baseline, Place(6.0)),
        compared(7, f"{what}, peak memory", peaks_mb, "MB", baseline, memory),
    ]


def _growth(folder: Path, kind: str, steps: tuple[int, ...], repetitions: int) -> Line:
    """The cost over the number of pixels, without the start of the process."""
    costs = []
    for _ in range(repetitions):
        start_s = run([sys.executable, "-c", "import controller.artwork.measuring.measure"])[1]
        costs.append(
            [max(1e-3, _measure(folder / f"{kind}-{dpi}.png")[0] - start_s) for dpi in steps]
        )
    pixels = [A4_PX_1200[0] * A4_PX_1200[1] * (dpi / 1200) ** 2 / 1e6 for dpi in steps]
    return grown(
        f"row 7: {kind} sheet, megapixels",
        [round(value, 2) for value in pixels],
        costs,
        "processor s",
        1.1,
    )


if __name__ == "__main__":
    draw(Path(sys.argv[1]), int(sys.argv[2]))
