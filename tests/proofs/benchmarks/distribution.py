"""Time and memory of the distribution map, by hand: ``python -m
tests.proofs.benchmarks.distribution``.

Each row is one worker's process with its start: measuring alone, and measuring with the map. The
sheets are drawn as in the benchmark of the artwork: lines, discs and polygons all over.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from controller.physics.bath_field import BathField
from tests.proofs.benchmarks.artwork import artwork, measured, run, shaded

SHEETS = (
    ("60 x 60 mm", 60, 60, 600, 60),
    ("A4", 210, 297, 600, 2500),
    ("A4", 210, 297, 1200, 2500),
)
BATHS = (None, BathField(), BathField(minus_plate_mm=(50.0, 50.0)))


def draw(path: Path, width_mm: int, height_mm: int, dpi: int, shapes: int) -> None:
    """Write a sheet, in a separate process: a child's peak memory starts from its parent's."""
    sheet = artwork(round(width_mm / 25.4 * dpi), round(height_mm / 25.4 * dpi), shapes)
    shaded(sheet).save(path, "PNG", dpi=(dpi, dpi))


def main() -> None:
    """Print the table."""
    for name, width_mm, height_mm, dpi, shapes in SHEETS:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sheet.png"
            size = [str(value) for value in (width_mm, height_mm, dpi, shapes)]
            run([sys.executable, "-m", __spec__.name, str(path), *size])
            for bath in BATHS:
                options = {
                    "depth_mm": 1.0,
                    "etch_factor": 1.0,
                    "max_undercut_mm": 1.0,
                    "bath": None if bath is None else asdict(bath),
                }
                wall_s, used_s, peak_mb, output = measured(path, options=options)
                assert '"result"' in output, output[:300]
                kind = "alone" if bath is None else "map"
                kind += "" if bath is None or bath.minus_plate_mm is None else ", small minus plate"
                print(
                    f"{name} at {dpi} dpi, {kind}: {wall_s:.2f} s, processor {used_s:.2f} s, "
                    f"{peak_mb} MB"
                )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        draw(Path(sys.argv[1]), *(int(value) for value in sys.argv[2:]))
    else:
        main()
