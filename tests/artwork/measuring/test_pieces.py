"""A band is cut into pieces that cover it once; how it is cut does not show in the result."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely.ops import unary_union
from skimage.measure import find_contours

from controller.artwork.measuring.measure import measure_file
from controller.artwork.measuring.pieces import (
    _LEAST_SIDE_PX,
    _MOST_CROSSINGS,
    _MOST_WIDTH_PX,
    Piece,
    pieces,
)
from controller.artwork.options import MeasureOptions
from tests.kits.artwork.shapes import disc, rows_of_bars, save

RIM_PX = 30


def drawn(height: int, width: int, density: float = 0.0, seed: int = 0) -> np.ndarray:
    """Return a band with its rims: noise of some density of changes."""
    return np.random.default_rng(seed).random((height + 2 * RIM_PX, width)) < density


def covered(found: list[Piece], height: int, width: int) -> np.ndarray:
    times = np.zeros((height, width), int)
    for piece in found:
        times[piece.top : piece.bottom, piece.left : piece.right] += 1
    return times


def most_vertices(is_open: np.ndarray, piece: Piece) -> int:
    """Count the vertices of the reference's contours in the piece and its rim."""
    seen = is_open[
        piece.top : piece.bottom + 2 * RIM_PX, max(0, piece.left - RIM_PX) : piece.right + RIM_PX
    ]
    return sum(
        len(line) - int((line[0] == line[-1]).all())
        for line in find_contours(seen.astype(float), 0.5)
    )


def test_crossings_match_reference_contours() -> None:
    """scikit-image's marching squares has a vertex where a contour crosses a grid line."""
    is_open = drawn(60, 300, 0.3)
    (piece,) = pieces(is_open, RIM_PX, 512, 1)
    assert piece.crossings == most_vertices(is_open, piece)


@pytest.mark.parametrize("density", [0.0, 0.01, 0.5])
@pytest.mark.parametrize(("height", "width"), [(500, 1300), (200, 90), (500, 1203), (7, 20_000)])
def test_each_pixel_in_one_piece(density: float, height: int, width: int) -> None:
    """Every pixel is in one piece."""
    is_open = drawn(height, width, density)
    found = list(pieces(is_open, RIM_PX, 500, 4))
    assert (covered(found, height, width) == 1).all()
    for piece in found:
        assert piece.right - piece.left <= _MOST_WIDTH_PX
        small = min(piece.bottom - piece.top, piece.right - piece.left) < 2 * _LEAST_SIDE_PX
        assert piece.crossings <= _MOST_CROSSINGS or small
        assert piece.left % 4 == piece.top % 4 == 0
        assert piece.right % 4 == 0 or piece.right == width
        assert piece.bottom % 4 == 0 or piece.bottom == height


def test_pieces_by_density() -> None:
    """Dense parts are cut small, sparse parts stay whole."""
    assert len(list(pieces(drawn(512, 4000, 0.01), RIM_PX, 512, 1))) == 1
    dense = list(pieces(drawn(512, 1024, 0.5), RIM_PX, 512, 1))
    assert len(dense) == 8
    assert {(piece.bottom - piece.top, piece.right - piece.left) for piece in dense} == {(256, 256)}


def test_blank_tile_stays_alone() -> None:
    """A tile without an edge in reach stays alone."""
    is_open = drawn(512, 512 * 5)
    is_open[200, 700] = is_open[300, 512 * 4 - RIM_PX + 5] = True
    found = [
        (piece.left // 512, piece.right // 512, piece.crossings)
        for piece in pieces(is_open, RIM_PX, 512, 1)
    ]
    assert found == [(0, 1, 0), (1, 2, 4), (2, 3, 0), (3, 5, 8)], (
        "the second dot also lies in the rim of the tile after it"
    )


def test_cuts_leave_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The result does not depend on how a band is cut."""
    shape = unary_union([rows_of_bars(0.2, 0.5, 9, 5.0, 5.0, 0.4), disc(0.6, 2.0, 8.0)])
    path, options = (
        save(tmp_path / "a.png", shape, 600),
        MeasureOptions(depth_mm=0.24, etch_factor=1.2),
    )
    whole = measure_file(path, options)
    monkeypatch.setattr("controller.artwork.measuring.pieces._MOST_CROSSINGS", 200)
    monkeypatch.setattr("controller.artwork.measuring.pieces._LEAST_SIDE_PX", 20)
    cut = measure_file(path, options)
    assert cut != whole, "it was cut"
    assert cut.area_mm2 == pytest.approx(whole.area_mm2, rel=1e-12)
    assert cut.edge_mm == pytest.approx(whole.edge_mm, rel=5e-4)
    assert (cut.open_fields, cut.lost_line_count) == (whole.open_fields, whole.lost_line_count)
    assert np.array(cut.growth_mm2)[:, 1] == pytest.approx(
        np.array(whole.growth_mm2)[:, 1], rel=5e-4
    )


@pytest.mark.parametrize("invert", [False, True])
def test_blank_tiles_counted(tmp_path: Path, invert: bool) -> None:
    """A square of 1 mm on a sheet of three tiles and a bit, in one bit.

    Source: Steiner's formula; fronts that meet inside.
    """
    image = Image.new("L", (1700, 600), 0 if invert else 255)
    image.paste(255 if invert else 0, (300, 300, 324, 324))
    image.save(tmp_path / "a.png", dpi=(600, 600))
    found = measure_file(tmp_path / "a.png", MeasureOptions(invert=invert))
    side_mm = 24 * 25.4 / 600
    assert found.area_mm2 == pytest.approx(side_mm**2, rel=1e-6)
    assert found.grown_mm2(1.0) == pytest.approx(side_mm**2 + 4 * side_mm + np.pi, rel=0.02)
    rest = measure_file(tmp_path / "a.png", MeasureOptions(invert=not invert))
    sheet_mm2 = 1700 * 600 * (25.4 / 600) ** 2
    assert rest.area_mm2 == pytest.approx(sheet_mm2 - side_mm**2, rel=1e-6)
    assert rest.grown_mm2(1.0) == pytest.approx(sheet_mm2, rel=1e-6)
