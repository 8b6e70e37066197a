"""Bends, sides and corners of contours, against plain Python and against drawn shapes."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Chain
from controller.artwork.outline.edge_sums import _REACH, _Window, edge_distance
from controller.artwork.outline.sides import Bends, CornerRoom, Side, turn_between, turns_more
from tests.kits.artwork.shapes import bar, save


def chains(seed: int = 2) -> Chain:
    """Return a closed chain of 40 vertices and an open one of 12 in a shuffled order, and a
    single vertex.
    """
    rng = np.random.default_rng(seed)
    nxt = np.concatenate([(np.arange(40) + 1) % 40, np.minimum(np.arange(12) + 1, 11) + 40, [52]])
    order = rng.permutation(53)
    place = np.argsort(order)
    angle = np.arange(53) * 2.0 * np.pi / 40.0
    x, y = (
        10.0 * np.cos(angle) + rng.normal(0, 0.3, 53),
        10.0 * np.sin(angle) + rng.normal(0, 0.3, 53),
    )
    return Chain(x[order], y[order], place[nxt[order]])


def walked(chain: Chain, start: int, hops: int) -> int:
    """Return the vertex so many hops ahead, or back when negative; an end goes on to itself."""
    before = {int(after): vertex for vertex, after in enumerate(chain.nxt) if after != vertex}
    for _ in range(abs(hops)):
        start = int(chain.nxt[start]) if hops > 0 else before.get(start, start)
    return start


@pytest.mark.parametrize("seed", range(6))
def test_hops_match_a_walk(seed: int) -> None:
    """Hops ahead and back are those of a walk."""
    chain = chains(seed)
    some = np.array([3, 17, 40, 52])
    for start, indices in ((None, range(53)), (some, some)):
        ahead, back = chain.hops(5, start)
        for k in range(6):
            assert ahead[k].tolist() == [walked(chain, int(vertex), k) for vertex in indices]
            assert back[k].tolist() == [walked(chain, int(vertex), -k) for vertex in indices]


def test_kept_vertices_keep_order() -> None:
    """What is left of a chain keeps its order."""
    chain = chains()
    keep = np.random.default_rng(1).random(53) < 0.6
    kept = chain.only(keep)
    index = np.flatnonzero(keep)
    for new, old in enumerate(index):
        after = int(chain.nxt[old])
        while not keep[after] and chain.nxt[after] != after:
            after = int(chain.nxt[after])
        expected = int(np.searchsorted(index, after)) if keep[after] else new
        assert kept.nxt[new] == expected


def test_corner_room_counts_hops() -> None:
    """Corner room is the number of hops to the nearest corner."""
    chain, corners = chains(), np.array([5, 23, 31])
    room = CornerRoom(chain, 4)
    room.add(corners[:2])
    room.add(corners[2:])
    every = np.arange(53)
    for hops in range(5):
        near = [
            any(
                walked(chain, vertex, k) in corners or walked(chain, vertex, -k) in corners
                for k in range(hops + 1)
            )
            for vertex in range(53)
        ]
        assert (~room.beyond(hops, every)).tolist() == near


@pytest.mark.parametrize("limit", [0.2, 1.0, 1.5])
def test_turns_beyond_a_limit(limit: float) -> None:
    """A turn is more than a limit or not."""
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 500)), rng.normal(size=(2, 500))
    assert (turns_more(*a, *b, limit) == (np.abs(turn_between(*a, *b)) > limit)).all()


@pytest.mark.parametrize("span", [1, 2, 4, 5, 12])
def test_sides_are_least_squares(span: int) -> None:
    """Against numpy's polynomial fit of x and y over the number of the vertex; sag and scatter
    against one of degree 2.
    """
    rng = np.random.default_rng(span)
    number = np.arange(span + 1.0)
    x, y = (
        3.0 * number[:, None] + rng.normal(0, 0.2, (span + 1, 7)),
        rng.normal(0, 0.2, (span + 1, 7)) - number[:, None],
    )
    side = Side.through(x, y, np.ones(7, np.bool_))
    slope = np.polyfit(number, x, 1)[0], np.polyfit(number, y, 1)[0]
    length = np.hypot(*slope)
    assert side.x == pytest.approx(-slope[0] / length)
    assert side.y == pytest.approx(-slope[1] / length)
    assert side.mid[0] == pytest.approx(x.mean(0))
    if span > 1:
        keep = np.array([1, 4])
        off = (x - x.mean(0)) * side.y - (y - y.mean(0)) * side.x
        weight = number - span / 2.0
        bow = weight**2 - (weight**2).mean()
        curvature = (bow[:, None] * off).sum(0) / (bow**2).sum()
        sag, scatter = side.only(keep).bow()
        assert sag == pytest.approx((curvature * (span / 2.0) ** 2)[keep])
        assert scatter == pytest.approx(
            np.sqrt(((off - curvature * bow[:, None]) ** 2).mean(0))[keep]
        )


def test_bends_hold_their_surroundings() -> None:
    """Bends hold what lies around them."""
    chain = chains()
    bends = Bends(chain, 0.3, 2, 6, 4)
    assert 0 < len(bends.at) < 53
    for column, vertex in enumerate(bends.at.tolist()):
        for k in range(7):
            assert bends.ahead[k, column] == walked(chain, vertex, k)
            assert bends.x_back[k, column] == chain.x_px[walked(chain, vertex, -k)]
        path = [walked(chain, vertex, k) for k in range(-4, 5)]
        steps = [
            math.dist((chain.x_px[a], chain.y_px[a]), (chain.x_px[b], chain.y_px[b]))
            for a, b in pairwise(path)
        ]
        assert bends.walked[4, column] == pytest.approx(sum(steps))
    few = bends.thinned(np.arange(len(bends.at)) % 3 == 0)
    assert (few.at == bends.at[::3]).all()
    assert (few.walked == bends.walked[:, ::3]).all()
    assert (few.x_ahead == bends.x_ahead[:, ::3]).all()


def test_near_window_matches_whole() -> None:
    """A near window gives what the whole one gives."""
    rng = np.random.default_rng(9)
    soft = np.cumsum(rng.integers(-120, 121, (40, 60)), axis=1).clip(0, 255).astype(np.uint8)
    first = rng.integers(0, soft.size, 800)
    step = rng.choice([-60, -1, 1, 60], 800)
    found = edge_distance(soft, 255, first, step)
    whole = _Window(soft, 255, first, step, _REACH).distance()
    assert np.isfinite(whole).sum() > 100
    assert np.array_equal(found, whole, equal_nan=True)


@pytest.mark.parametrize(
    ("turn_rad", "x_mm", "y_mm"),
    [(0.1, 5.02, 4.97), (0.3, 5.0, 5.0), (0.4, 5.0, 5.0), (1.3, 4.96, 5.03), (0.6, 5.02, 4.97)],
)
def test_small_square_has_four_corners(
    tmp_path: Path, turn_rad: float, x_mm: float, y_mm: float
) -> None:
    """0.5 mm at 300 dpi: three corners found leave no vertex far from them, and the fourth must
    still be looked for.
    """
    found = measure_file(
        save(tmp_path / "a.png", bar(0.5, 0.5, x_mm, y_mm, turn_rad), 300), MeasureOptions()
    )
    assert found.edge_mm == pytest.approx(2.0, rel=0.008)
