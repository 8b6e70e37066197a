"""Contours against scikit-image's marching squares, and positions against edges that are known
exactly.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import box
from shapely.ops import unary_union
from skimage.measure import euler_number, find_contours

from controller.artwork.outline.contour import _crossings, trace
from controller.artwork.outline.edge_sums import edge_distance
from tests.kits.artwork.shapes import bar, coverage, disc, families

FULL = 255


def shaded(shape: object, side: int = 80, px_mm: float = 0.125) -> np.ndarray:
    return np.rint(coverage(shape, side, side, px_mm) * FULL).astype(np.uint16)


def length_of(chain: object) -> float:
    return float(
        np.hypot(chain.x_px[chain.nxt] - chain.x_px, chain.y_px[chain.nxt] - chain.y_px).sum()
    )


@pytest.mark.parametrize("seed", [0, 1])
def test_raw_crossings_match_reference(seed: int) -> None:
    """Raw crossings have the length of the reference."""
    for name, shape in families(np.random.default_rng(seed)):
        cover = shaded(shape, 236, 25.4 / 600)
        chain = _crossings(cover, FULL).chain
        reference = find_contours(cover.astype(float), FULL / 2.0)
        expected = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in reference)
        assert length_of(chain) == pytest.approx(expected, rel=1e-9), name


def test_noisy_contours_close() -> None:
    """Noise with many saddles still closes every contour."""
    noise = np.zeros((60, 60), np.uint16)
    noise[2:-2, 2:-2] = np.random.default_rng(3).integers(0, FULL + 1, (56, 56))
    chain = _crossings(noise, FULL).chain
    count = np.bincount(chain.nxt, minlength=len(chain.nxt))
    assert (count == 1).all(), "each vertex follows exactly one other"
    assert (chain.nxt != np.arange(len(chain.nxt))).all(), "no contour ends inside the image"


def test_no_contour_jumps_sides() -> None:
    """No contour jumps from one side of the image to the other."""
    noise = np.random.default_rng(4).integers(0, FULL + 1, (40, 40)).astype(np.uint16)
    chain = _crossings(noise, FULL).chain
    step = np.hypot(chain.x_px[chain.nxt] - chain.x_px, chain.y_px[chain.nxt] - chain.y_px)
    assert step.max() < 1.5


@pytest.mark.parametrize(("middle", "contours"), [(100, 2), (140, 1)])
def test_saddles_joined_by_mean(middle: int, contours: int) -> None:
    """Two pixels that touch at a corner are joined by the mean of the four."""
    image = np.zeros((8, 8), np.uint16)
    image[2:4, 2:4] = image[4:6, 4:6] = 200 if middle < FULL / 2 else FULL
    image[3, 4] = image[4, 3] = 2 * middle - image[3, 3]
    chain = _crossings(image, FULL).chain
    label = np.arange(len(chain.nxt))
    for _ in label:
        label = np.minimum(label, label[chain.nxt])
    assert len(np.unique(label)) == contours


def test_open_region_to_the_right() -> None:
    """The open region lies to the right."""
    chain = trace(shaded(disc(2.0)), FULL)
    x, y, nxt = chain.x_px, chain.y_px, chain.nxt
    signed = 0.5 * float((x * y[nxt] - x[nxt] * y).sum())
    assert signed == pytest.approx(math.pi * 16.0**2, rel=0.01), "clockwise on the screen, y down"
    hole = trace(FULL - shaded(disc(2.0)), FULL)
    assert (
        0.5 * float((hole.x_px * hole.y_px[hole.nxt] - hole.x_px[hole.nxt] * hole.y_px).sum()) < 0
    )


@pytest.mark.parametrize("turn_rad", [0.0, 0.03, 0.3, math.pi / 4, 1.0, 1.5])
def test_vertices_on_straight_edges(turn_rad: float) -> None:
    """Vertices lie on straight edges to a hundredth of a pixel."""
    shape = bar(6.0, 3.0, 5.03, 4.98, turn_rad)
    chain = trace(shaded(shape), FULL)
    corners = np.array(shape.exterior.coords)[:-1] / 0.125 - 0.5
    away = np.min([np.hypot(chain.x_px - x, chain.y_px - y) for x, y in corners], axis=0)
    off = np.full(len(chain.x_px), np.inf)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        normal = np.array([y1 - y0, x0 - x1]) / np.hypot(x1 - x0, y1 - y0)
        off = np.minimum(off, np.abs((chain.x_px - x0) * normal[0] + (chain.y_px - y0) * normal[1]))
    assert np.count_nonzero(away > 2.5) > 80
    assert off[away > 2.5].max() < 0.01


@pytest.mark.parametrize("width_mm", [0.1, 0.15, 0.2, 0.4])
def test_both_edges_of_thin_lines(width_mm: float) -> None:
    """0.1 mm are 0.8 px here."""
    shape = bar(7.0, width_mm, 5.0, 5.02, 0.1)
    chain = trace(shaded(shape), FULL)
    normal = np.array([-math.sin(0.1), math.cos(0.1)])
    middle = np.array([5.0, 5.02]) / 0.125 - 0.5
    along = (chain.x_px - middle[0]) * normal[1] - (chain.y_px - middle[1]) * normal[0]
    off = (chain.x_px - middle[0]) * normal[0] + (chain.y_px - middle[1]) * normal[1]
    inner = np.abs(along) < 20
    assert np.median(np.abs(off[inner])) == pytest.approx(width_mm / 0.125 / 2, abs=0.02)


def test_edge_outside_window_unknown() -> None:
    """An edge that the window does not hold is not guessed."""
    ramp = np.tile(np.linspace(0, FULL, 40).astype(np.uint16), (40, 1))
    first = np.array([20 * 40 + 21])
    assert np.isnan(edge_distance(ramp, FULL, first, np.array([-1])))


def test_fields_and_holes_traced() -> None:
    """Fields and holes are all traced."""
    shape = unary_union([box(1, 1, 4, 4).difference(box(2, 2, 3, 3)), disc(1.0, 7.0, 7.0)])
    cover = shaded(shape)
    chain = trace(cover, FULL)
    label = np.arange(len(chain.nxt))
    for _ in range(len(label)):
        lower = np.minimum(label, label[chain.nxt])
        if np.array_equal(lower, label):
            break
        label = lower
    starts = np.flatnonzero(label == np.arange(len(label)))
    assert len(starts) == 3
    assert euler_number(cover > FULL / 2) == 2 - 1
