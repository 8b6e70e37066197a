"""Area, edge and growth of shapes whose truth is a polygon: shapely's own area, length and buffers
(GEOS), to the targets.

Targets at 600 dpi with shaded edges: area 0.1 %, edge 0.5 %, A(s) 0.2 %. A(s) is also looked at
just where fronts meet, a moment that a grid of 0.04 mm blurs: there 1.2 % is what the smallest dots
reach.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry.base import BaseGeometry
from skimage.measure import find_contours

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from tests.kits.artwork_shapes import coverage, disc, families, save, sheet_px

S_MM = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.75, 1.0)
SEEDS = (0, 1, 2)

MEETING_PERCENT = {
    "lines 0.1 mm": 0.6,
    "lines 0.1 mm, level": 0.6,
    "lines 0.2 mm": 0.4,
    "dots 0.3 mm": 0.6,
    "dots 0.2 mm": 1.2,
}
"""Largest error of A(s) for shapes whose fronts meet at one of the distances looked at; all others
must keep 0.25 %."""


def off(shape: BaseGeometry, found: ArtworkMeasure) -> tuple[float, float, float]:
    """Return the errors of area, edge and the largest one of A(s), in per cent."""
    grown = [
        100.0 * abs(found.grown_mm2(s) / shape.buffer(s, quad_segs=64).area - 1.0) for s in S_MM
    ]
    return (
        100.0 * abs(found.area_mm2 / shape.area - 1.0),
        100.0 * abs(found.edge_mm / shape.length - 1.0),
        max(grown),
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_shaded_edges_at_600_dpi(tmp_path: Path, seed: int) -> None:
    """Shaded edges at 600 dpi reach the targets."""
    for name, shape in families(np.random.default_rng(seed)):
        area, edge, grown = off(
            shape, measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
        )
        assert area < 0.1, name
        assert edge < 0.5, name
        assert grown < MEETING_PERCENT.get(name, 0.25), name


@cache
def drawn(seed: int) -> list[tuple[BaseGeometry, dict[float, float]]]:
    """Return shapes of every family, each with its area grown by four distances, in mm2."""
    return [
        (shape, {s: shape.buffer(s, quad_segs=64).area for s in (0.05, 0.15, 0.3, 1.0)})
        for _, shape in families(np.random.default_rng(seed))
    ]


@pytest.mark.parametrize(
    ("kind", "dpi"), [("grey", 600), ("grey", 300), ("one_bit", 600), ("few", 600), ("jpeg", 600)]
)
def test_the_stated_uncertainty_is_honest(tmp_path: Path, kind: str, dpi: int) -> None:
    """Within one deviation at least 68 % of the time, within three and a half always, for every
    kind of file.
    """
    ratios = []
    for seed in SEEDS[:2]:
        for shape, grown_mm2 in drawn(100 + seed):
            found = measure_file(save(tmp_path / "a.img", shape, dpi, kind), MeasureOptions())
            sigma = dict(found.growth_uncertainty_mm2)
            ratios.append((found.area_mm2 - shape.area) / found.area_uncertainty_mm2)
            ratios.append((found.edge_mm - shape.length) / found.edge_uncertainty_mm)
            ratios += [
                (area - grown_mm2[s]) / sigma[s] for s, area in found.growth_mm2 if s in grown_mm2
            ]
    size = np.abs(ratios)
    assert (size < 1.0).mean() > 0.68
    assert size.max() < 3.5


def test_uncertainty_matches_errors(tmp_path: Path) -> None:
    """A clean file states far less than a one-bit file of the same shape, and that less than 1 % of
    the length.
    """
    shape = disc(2.0)
    clean = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
    coarse = measure_file(save(tmp_path / "b.png", shape, 600, "one_bit"), MeasureOptions())
    assert clean.edge_uncertainty_mm < 0.005 * clean.edge_mm
    assert coarse.edge_uncertainty_mm > 5.0 * clean.edge_uncertainty_mm
    assert coarse.quality == "one_bit"
    assert clean.quality == "grey"


def test_outside_reference_agrees(tmp_path: Path) -> None:
    """scikit-image's marching squares gives the same edge within its own error, which is larger."""
    shape = dict(families(np.random.default_rng(7)))["star of 8, 2 mm"]
    side, px_mm = sheet_px(600), 25.4 / 600
    contours = find_contours(coverage(shape, side, side, px_mm), 0.5)
    plain = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in contours) * px_mm
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
    assert plain == pytest.approx(shape.length, rel=0.1)
    assert abs(found.edge_mm - shape.length) < 0.1 * abs(plain - shape.length)
