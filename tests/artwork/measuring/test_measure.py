"""What measuring adds to the tiles: a curve that never falls, a limit on tones, and the doubt of
noise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from controller.artwork.measuring import measure
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError
from tests.kits.artwork.shapes import disc, file_bytes, grey_image, save

OPEN_PX, SIDE_PX = 400, 1000
"""A black square, and tones beside it: 1 px is 0.0423 mm."""


def test_growth_never_falls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A growing front never shrinks the open area, although sums over pixels may.

    Depth from charge needs that.
    """
    honest = measure.grown_area_px2

    def dips(*arguments: object) -> Floats:
        grown = honest(*arguments).copy()  # type: ignore[arg-type]
        grown[10:20] -= 0.3 * grown[10]
        return grown

    monkeypatch.setattr(measure, "grown_area_px2", dips)
    found = measure_file(save(tmp_path / "a.png", disc(1.0), 600), MeasureOptions())
    grown_mm2 = np.array(found.growth_mm2)[:, 1]
    assert (np.diff(grown_mm2) >= 0.0).all()
    assert grown_mm2[15] == pytest.approx(grown_mm2[10])
    assert grown_mm2[25] > grown_mm2[10]


def with_tones(path: Path, share: float) -> Path:
    """Save a black square with a soft patch of light grey of ``share`` times its area."""
    pixels = np.full((SIDE_PX, SIDE_PX), 255, np.uint8)
    pixels[100 : 100 + OPEN_PX, 100 : 100 + OPEN_PX] = 0
    count = round(share * OPEN_PX * OPEN_PX)
    rows = count // 400
    tones = np.linspace(150, 245, 400).astype(np.uint8)
    pixels[550 : 550 + rows, 100:500] = tones
    path.write_bytes(file_bytes(Image.fromarray(pixels), "PNG", 600))
    return path


def test_picture_in_tones_refused(tmp_path: Path) -> None:
    """Shading of more than a quarter of the open area, less what soft edges have, 6 px for each px
    of edge.
    """
    edges = 6.0 * 4 * OPEN_PX / OPEN_PX**2
    found = measure_file(with_tones(tmp_path / "a.png", 0.23 + edges), MeasureOptions())
    assert [warning.key for warning in found.warnings] == ["artwork.grey_parts"]
    with pytest.raises(RefusedError) as refused:
        measure_file(with_tones(tmp_path / "b.png", 0.40 + edges), MeasureOptions())
    assert refused.value.message.key == "artwork.tones"
    assert (refused.value.field, refused.value.limit) == ("file", "25 % of the open area")


def test_noise_is_doubted(tmp_path: Path) -> None:
    """The same disc, clean and with noise: the area of the second is stated at three times the
    uncertainty.

    Source: measured, 0.004 and 0.012 px of place for shades and for noise
    (tests/proofs/benchmarks/artwork.py).
    """
    image = grey_image(disc(2.0), 600)
    clean = measure_file(save(tmp_path / "a.png", disc(2.0), 600), MeasureOptions())
    noise = np.random.default_rng(1).normal(0, 4, (image.height, image.width))
    scan = np.clip(np.rint(20 + np.asarray(image) / 255 * 215 + noise), 0, 255).astype(np.uint8)
    (tmp_path / "b.png").write_bytes(file_bytes(Image.fromarray(scan), "PNG", 600))
    noisy = measure_file(tmp_path / "b.png", MeasureOptions())
    assert (clean.quality, noisy.quality) == ("grey", "noisy")
    assert noisy.area_uncertainty_mm2 == pytest.approx(3.0 * clean.area_uncertainty_mm2, rel=0.15)
