"""Places on the sheet, against plane geometry: shapely, and sums done by hand."""

from __future__ import annotations

import random

import pytest
from shapely.geometry import Polygon

from controller.artwork.assembly.arranging import SizedPiece, arranged
from controller.artwork.assembly.layout import (
    MOST_PIECES,
    PlacedPiece,
    check_layout,
    distance_mm,
    turned_size,
)
from controller.errors import RefusedError


def test_distance_like_shapely() -> None:
    """Apart: the shortest distance. Overlapping: how far one must move, at most the true depth."""
    chance = random.Random(5)
    for _ in range(300):
        pieces = [
            PlacedPiece(
                "piece",
                chance.uniform(1, 30),
                chance.uniform(1, 30),
                chance.uniform(0, 40),
                chance.uniform(0, 40),
                chance.choice([0.0, 90.0, 17.0, chance.uniform(-360, 360)]),
            )
            for _ in range(2)
        ]
        first, second = (piece.corners() for piece in pieces)
        one, other = Polygon(first), Polygon(second)
        found_mm = distance_mm(first, second)
        if one.intersects(other):
            assert found_mm <= 1e-9
            assert (found_mm < -1e-6) == (one.intersection(other).area > 1e-6)
        else:
            assert found_mm == pytest.approx(one.distance(other), abs=1e-9)


def test_turned_outline_touches_place() -> None:
    """The place is the corner of the upright rectangle around the turned piece, at any angle."""
    for degrees in (0.0, 17.0, 90.0, 133.0, -45.0, 270.0):
        piece = PlacedPiece("piece", 30.0, 10.0, 4.0, 7.0, degrees)
        corners = piece.corners()
        assert min(x for x, _ in corners) == pytest.approx(4.0)
        assert min(y for _, y in corners) == pytest.approx(7.0)
        width_mm, height_mm = turned_size(30.0, 10.0, degrees)
        assert max(x for x, _ in corners) == pytest.approx(4.0 + width_mm)
        assert max(y for _, y in corners) == pytest.approx(7.0 + height_mm)


def test_turning_is_clockwise() -> None:
    """Turned by 90 degrees, the top left corner of a piece comes to the top right."""
    piece = PlacedPiece("piece", 30.0, 10.0, 0.0, 0.0, 90.0)
    assert piece.corners()[0] == pytest.approx((10.0, 0.0))


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ((39.0, 5.0, 0.0), "overlap by 1.00 mm"),
        ((75.0, 5.0, 0.0), "reaches 5.00 mm beyond"),
        ((45.0, -2.0, 0.0), "reaches 2.00 mm beyond"),
        ((66.0, 25.0, 90.0), "reaches 15.00 mm beyond"),
        ((float("nan"), 5.0, 0.0), "no place that can be read"),
    ],
)
def test_refusals_state_limits(place: tuple[float, float, float], words: str) -> None:
    """Two pieces of 30 x 20 mm on 100 x 40 mm, the first at 10, 5 mm."""
    pieces = [
        PlacedPiece("first", 30.0, 20.0, 10.0, 5.0),
        PlacedPiece("second", 30.0, 20.0, *place),
    ]
    with pytest.raises(RefusedError, match=words) as refusal:
        check_layout(pieces, 100.0, 40.0)
    assert refusal.value.field == "pieces"


def test_touching_pieces_pass() -> None:
    pieces = [
        PlacedPiece("first", 30.0, 20.0, 0.0, 0.0),
        PlacedPiece("second", 30.0, 20.0, 30.0, 0.0),
    ]
    check_layout(pieces, 60.0, 20.0)


def test_too_many_pieces() -> None:
    with pytest.raises(RefusedError, match=f"limit is {MOST_PIECES}"):
        arranged([SizedPiece("piece", 1.0, 1.0)] * (MOST_PIECES + 1))


@pytest.mark.parametrize("sheet_mm", [None, (130.0, 200.0)])
def test_arranged_pieces_keep_distance(sheet_mm: tuple[float, float] | None) -> None:
    chance = random.Random(7)
    pieces = [
        SizedPiece(f"piece {n}", chance.uniform(8, 40), chance.uniform(8, 40)) for n in range(12)
    ]
    found = arranged(pieces, sheet_mm, spacing_mm=3.0, border_mm=5.0)
    check_layout(found.pieces, found.width_mm, found.height_mm)
    assert [piece.name for piece in found.pieces] == [piece.name for piece in pieces]
    for number, piece in enumerate(found.pieces):
        left_mm, top_mm = piece.x_mm, piece.y_mm
        width_mm, height_mm = piece.turned_mm
        assert min(left_mm, top_mm) >= 5.0 - 1e-3
        assert left_mm + width_mm <= found.width_mm - 5.0 + 2e-3
        assert top_mm + height_mm <= found.height_mm - 5.0 + 2e-3
        for other in found.pieces[:number]:
            assert distance_mm(piece.corners(), other.corners()) >= 3.0 - 2e-3
    if sheet_mm is not None:
        assert (found.width_mm, found.height_mm) == sheet_mm


def test_long_piece_is_turned() -> None:
    """A bar of 90 x 10 mm fits on a sheet of 40 x 110 mm only when it stands."""
    found = arranged([SizedPiece("bar", 90.0, 10.0)], (40.0, 110.0))
    assert found.pieces[0].degrees == 90.0


def test_no_room_is_refused() -> None:
    """Three squares of 30 mm in a column: 3 x 30 + 2 x 3 + 2 x 5 = 106 mm."""
    squares = [SizedPiece("square", 30.0, 30.0)] * 3
    with pytest.raises(RefusedError, match="106 mm high") as refusal:
        arranged(squares, (50.0, 100.0))
    assert refusal.value.limit == "100 mm"
    with pytest.raises(RefusedError, match="leaves 15 x 90 mm"):
        arranged(squares, (25.0, 100.0))
