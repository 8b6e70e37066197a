"""Tables of an etching: what they must be, plates of them, and a front that follows them by the
volume that left.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from controller.errors import RefusedError
from hardware.rehearsal.front import SteinerFront
from hardware.rehearsal.front_table import FrontRow, FrontTable, TabulatedFront, growth_table

TABLE = FrontTable((FrontRow(0.0, 0.0, 0.0), FrontRow(0.1, 10.0, 0.11), FrontRow(0.2, 24.0, 0.23)))


@pytest.mark.parametrize(
    "rows",
    [
        (),
        ((0.0, 0.0, 0.0),),
        ((0.0, 0.1, 0.0), (0.1, 1.0, 0.1)),
        ((0.0, 0.0, 0.0), (0.1, 1.0, 0.1), (0.1, 2.0, 0.1)),
        ((0.0, 0.0, 0.0), (0.1, 1.0, 0.1), (0.2, 1.0, 0.2)),
        ((0.0, 0.0, 0.0), (0.1, 1.0, 0.2), (0.2, 2.0, 0.1)),
        ((0.0, 0.0, 0.0), (0.1, math.inf, 0.1)),
        ((0.0, 0.0, 0.0), (0.1, 1.0, math.nan)),
    ],
)
def test_falling_rows_refused(rows: tuple[tuple[float, float, float], ...]) -> None:
    """Rows that do not rise are refused."""
    with pytest.raises(RefusedError) as caught:
        FrontTable(tuple(FrontRow(*row) for row in rows))
    assert caught.value.field == "rows"


def test_plate_adds_copies_and_metal() -> None:
    """A plate is copies and bare metal at the mean depth."""
    plate = TABLE.plate(3, 50.0)
    assert [row.volume_mm3 for row in plate.rows] == pytest.approx([0.0, 35.0, 82.0])
    assert [row.depth_mm for row in plate.rows] == [0.0, 0.1, 0.2]
    assert [row.deepest_mm for row in plate.rows] == [0.0, 0.11, 0.23]
    for copies, bare_mm2, field in ((0, 0.0, "copies"), (1, -1.0, "other_bare_mm2")):
        with pytest.raises(RefusedError) as caught:
            TABLE.plate(copies, bare_mm2)
        assert caught.value.field == field


def test_front_continues_beyond_rows() -> None:
    """A front follows the rows and goes on beyond them."""
    front = TabulatedFront(TABLE)
    assert (front.depth_mm, front.deepest_mm) == (0.0, 0.0)
    reported = []
    for volume_mm3 in (5.0, 5.0, 7.0, 7.0, 14.0):
        front.remove(volume_mm3)
        reported.append((front.depth_mm, front.deepest_mm))
    assert [depth for depth, _ in reported] == pytest.approx([0.05, 0.1, 0.15, 0.2, 0.3])
    assert [deepest for _, deepest in reported] == pytest.approx([0.055, 0.11, 0.17, 0.23, 0.35])


def test_exposed_area_without_jumps() -> None:
    """100 mm2 in the first row, 140 mm2 in the second: half way at the row between, the last one's
    beyond.
    """
    front = TabulatedFront(TABLE)
    assert front.exposed_area_mm2 == pytest.approx(100.0)
    front.remove(10.0)
    assert front.exposed_area_mm2 == pytest.approx(120.0)
    front.remove(20.0)
    assert front.exposed_area_mm2 == pytest.approx(140.0)


def test_fine_table_matches_its_front() -> None:
    """A convex opening: A d + (pi/4) P d^2/e + (2/3) pi d^3/e^2.

    Source: Minkowski-Steiner formula.
    """
    area, edge, e = 80.0, 36.0, 1.2
    depths = [0.5 * k / 100 for k in range(101)]
    rows = (
        FrontRow(d, area * d + math.pi / 4 * edge * d**2 / e + 2 / 3 * math.pi * d**3 / e**2, d)
        for d in depths
    )
    table, steiner = TabulatedFront(FrontTable(tuple(rows))), SteinerFront(area, edge, e)
    for _ in range(150):
        table.remove(0.2)
        steiner.remove(0.2)
    assert table.depth_mm == pytest.approx(steiner.depth_mm, rel=2e-5)
    assert table.exposed_area_mm2 == pytest.approx(steiner.exposed_area_mm2, rel=1e-3)
    assert steiner.deepest_mm == steiner.depth_mm


@pytest.mark.parametrize("etch_factor", [0.7, 1.0, 1.5])
def test_growth_curve_gives_body(etch_factor: float) -> None:
    """A disc of 3 mm radius by its exact curve A + P s + pi s^2."""
    area, edge = math.pi * 9.0, math.pi * 6.0
    curve = [(s, area + edge * s + math.pi * s * s) for s in (k / 200 for k in range(201))]
    table = growth_table(curve, etch_factor, 0.4)
    for row in (table.rows[50], table.rows[-1]):
        d = row.depth_mm
        exact = (
            area * d
            + math.pi / 4 * edge * d**2 / etch_factor
            + 2 / 3 * math.pi * d**3 / etch_factor**2
        )
        assert row.volume_mm3 == pytest.approx(exact, rel=2e-5)
        assert row.deepest_mm == d
    assert all(later.volume_mm3 > row.volume_mm3 for row, later in pairwise(table.rows))


def test_level_curve_bounded_by_plate() -> None:
    """A curve that levels out never takes more than the plate."""
    table = growth_table([(0.0, 60.0), (0.1, 90.0), (0.15, 100.0), (1.0, 100.0)], 1.0, 0.9)
    assert all(row.volume_mm3 < 100.0 * row.depth_mm for row in table.rows[1:])
    assert table.rows[-1].volume_mm3 > 0.98 * 100.0 * 0.9
    for deepest_mm, etch_factor in ((0.0, 1.0), (0.1, 0.0)):
        with pytest.raises(RefusedError):
            growth_table([(0.0, 1.0), (1.0, 2.0)], etch_factor, deepest_mm)
