"""A plate of several artworks against the exact shapes that were drawn on them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from controller.artwork.assembly.plate_file import entry_of, write_plate
from controller.artwork.assembly.plate_picture import load_plate
from controller.artwork.measuring.measure import load_picture, measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from tests.kits.artwork.files import svg
from tests.kits.artwork.shapes import coverage, disc, save, sheet_px, star

PLAIN = MeasureOptions()
PX_MM = 25.4 / 600.0
SHEET_MM = sheet_px(600.0) * PX_MM
"""Side of the drawn sheets, whole pixels."""

DISC = disc(3.0)
BAR = box(2.0, 3.0, 8.0, 6.013)
STAR = star(5, 3.9, 2.0, 5.0, 5.0, 0.3)

Placed = tuple[BaseGeometry, float, float, float]


def plate_of(
    folder: Path,
    pieces: list[Placed],
    size_mm: tuple[float, float] = (40.0, 25.0),
    dpi: float = 600,
) -> Path:
    """Return a plate file of shapes, each on its own sheet."""
    entries = []
    for shape, *place in pieces:
        path = save(folder / f"{shape.area:.4f}.png", shape, dpi)
        entries.append((entry_of(path, path.name, tuple(place), PLAIN), path))  # type: ignore[arg-type]
    target = folder / "plate.zip"
    write_plate(target, size_mm, entries)
    return target


def on_plate(shape: BaseGeometry, x_mm: float, y_mm: float, degrees: float) -> BaseGeometry:
    """Return a shape where its sheet lies: turned about the sheet's middle, then moved.

    On a picture y points down, so that a positive angle of the plane turns clockwise.
    """
    middle = SHEET_MM / 2
    turned = affinity.rotate(shape, degrees, origin=(middle, middle))
    sheet = affinity.rotate(box(0, 0, SHEET_MM, SHEET_MM), degrees, origin=(middle, middle))
    return affinity.translate(turned, x_mm - sheet.bounds[0], y_mm - sheet.bounds[1])


def levels_of(path: Path) -> np.ndarray:
    picture = load_plate(path, load_picture)
    table = np.arange(256, dtype=np.uint8)
    return 1.0 - picture.read(0, picture.height_px, 1, table) / 255.0


@pytest.mark.parametrize("degrees", [0.0, 90.0, 180.0, 270.0])
def test_quarter_turns_are_exact(tmp_path: Path, degrees: float) -> None:
    """On whole pixels every pixel of the sheet is found again, turned as numpy turns it."""
    at_px = 24
    path = plate_of(tmp_path, [(STAR, at_px * PX_MM, at_px * PX_MM, degrees)])
    side = sheet_px(600.0)
    alone = np.rint(coverage(STAR, side, side, PX_MM) * 255.0) / 255.0
    found = levels_of(path)[at_px : at_px + side, at_px : at_px + side]
    assert np.array_equal(np.rint(found * 255), np.rint(np.rot90(alone, -degrees / 90) * 255))


@pytest.mark.parametrize("degrees", [0.0, 90.0, 17.0, 133.0])
@pytest.mark.parametrize("dpi", [600, 450])
def test_every_pixel_is_right(tmp_path: Path, degrees: float, dpi: float) -> None:
    """Coverage of each pixel of the plate, against the exact one of the turned polygon.

    The pieces lie between pixels. Resampling blurs an edge by a pixel, and area is kept.
    """
    x_mm, y_mm = 3.013, 4.987
    path = plate_of(tmp_path, [(STAR, x_mm, y_mm, degrees)], dpi=dpi)
    found = levels_of(path)
    px_mm = 25.4 / dpi
    sheet_mm = sheet_px(dpi) * px_mm
    middle = sheet_mm / 2
    turned = affinity.rotate(STAR, degrees, origin=(middle, middle))
    sheet = affinity.rotate(box(0, 0, sheet_mm, sheet_mm), degrees, origin=(middle, middle))
    there = affinity.translate(turned, x_mm - sheet.bounds[0], y_mm - sheet.bounds[1])
    exact = coverage(there, found.shape[1], found.shape[0], px_mm)
    assert float(np.abs(found - exact).max()) < 0.45, "an edge is off by less than half a pixel"
    assert found.sum() == pytest.approx(exact.sum(), rel=2e-5)
    for axis in (0, 1):
        at = np.arange(found.shape[axis])
        mean = (found.sum(1 - axis) * at).sum() / found.sum()
        assert mean == pytest.approx((exact.sum(1 - axis) * at).sum() / exact.sum(), abs=2e-3)


def measured(path: Path, bath: BathField | None = None) -> ArtworkMeasure:
    options = MeasureOptions(depth_mm=1.0, etch_factor=1.0, max_undercut_mm=1.0, bath=bath)
    return measure_file(path, options)


@pytest.mark.parametrize("degrees", [0.0, 90.0, 17.0])
def test_plate_is_sum(tmp_path: Path, degrees: float) -> None:
    """Area, edge and growth of a plate are those of its shapes, within the stated uncertainty."""
    found = measured(plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0), (STAR, 18.0, 4.013, degrees)]))
    area_mm2, edge_mm = DISC.area + STAR.area, DISC.length + STAR.length
    assert found.area_mm2 == pytest.approx(area_mm2, abs=3 * found.area_uncertainty_mm2)
    assert found.edge_mm == pytest.approx(edge_mm, abs=3 * found.edge_uncertainty_mm)
    alone = [measured(save(tmp_path / "one.png", shape, 600)) for shape in (DISC, STAR)]
    assert found.area_mm2 == pytest.approx(sum(it.area_mm2 for it in alone), rel=1e-9)
    assert found.edge_mm == pytest.approx(sum(it.edge_mm for it in alone), rel=1e-9)
    assert found.area_uncertainty_mm2 <= sum(it.area_uncertainty_mm2 for it in alone)
    for s_mm in (0.1, 0.5, 1.0):
        exact = DISC.buffer(s_mm, 64).area + STAR.buffer(s_mm, 64).area
        assert found.grown_mm2(s_mm) == pytest.approx(exact, rel=2e-3)


def test_pieces_keep_their_own(tmp_path: Path) -> None:
    found = measured(plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0), (BAR, 18.0, 4.0, 17.0)]))
    first, second = found.pieces
    assert first.area_mm2 == pytest.approx(DISC.area, rel=1e-3)
    assert second.edge_mm == pytest.approx(BAR.length, rel=2e-3)
    assert (second.x_mm, second.y_mm, second.degrees) == (18.0, 4.0, 17.0)
    assert first.area_mm2 + second.area_mm2 == pytest.approx(found.area_mm2, rel=1e-12)
    assert found.open_fields == 2
    assert (found.width_mm, found.height_mm) == (40.0, 25.0)


def test_copies_err_alike(tmp_path: Path) -> None:
    """Four copies have four times the deviation of one: what reads one wrongly reads all so."""
    places = [(2.0, 2.0), (14.0, 2.0), (26.0, 2.0), (2.0, 14.0)]
    found = measured(plate_of(tmp_path, [(DISC, *place, 0.0) for place in places]))
    alone = measured(save(tmp_path / "one.png", DISC, 600))
    assert found.area_mm2 == pytest.approx(4 * alone.area_mm2, rel=1e-9)
    assert found.area_uncertainty_mm2 == pytest.approx(4 * alone.area_uncertainty_mm2, rel=1e-9)


def test_near_pieces_grow_together(tmp_path: Path) -> None:
    """Two bars open nearly to the edge of their sheets, 0.4 mm apart: their undercuts meet.

    The exact growth is that of the union, grown by shapely.
    """
    bar = box(1.0, 3.0, SHEET_MM - 0.2, 6.0)
    other = box(0.2, 3.0, 8.0, 6.0)
    path = plate_of(tmp_path, [(bar, 5.0, 5.0, 0.0), (other, 5.0 + SHEET_MM, 5.0, 0.0)])
    found = measured(path)
    union = unary_union([on_plate(bar, 5, 5, 0), on_plate(other, 5 + SHEET_MM, 5, 0)])
    for s_mm in (0.1, 0.3, 1.0):
        exact = union.buffer(s_mm, 64).area
        assert found.grown_mm2(s_mm) == pytest.approx(exact, rel=3e-3)
    assert found.narrowest_resist is not None
    assert found.narrowest_resist.width_mm == pytest.approx(0.4, abs=0.03)
    assert found.lost_line_count == 1, "the line between the pieces"
    assert [piece.line_count for piece in found.pieces] == [0, 0]


def test_lost_lines_move_along(tmp_path: Path) -> None:
    """A resist line of 0.3 mm at 7.15, 5 mm of its sheet, turned by 90 degrees with it."""
    shape = unary_union([box(2.0, 2.0, 7.0, 8.0), box(7.3, 2.0, 8.0, 8.0)])
    found = measured(plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0), (shape, 20.0, 6.0, 90.0)]))
    assert found.lost_line_count == 1
    (line,) = found.pieces[1].narrow_lines
    assert line.width_mm == pytest.approx(0.3, abs=0.02)
    # Clockwise by 90 degrees, x, y of the sheet come to SHEET_MM - y, x.
    assert line.y_mm == pytest.approx(6.0 + 7.15, abs=0.05)
    assert 20.0 + SHEET_MM - 8.0 <= line.x_mm <= 20.0 + SHEET_MM - 2.0
    assert found.pieces[0].narrow_lines == ()


def test_pieces_have_places(tmp_path: Path) -> None:
    """Each piece has its own widest floor, in its own outline; a small field gets more current.

    Shares are of the piece's open area: those of the classes of width add up to 1.
    """
    small = disc(1.0)
    bath = BathField(40.0, 10.0, 20.0)
    found = measured(plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0), (small, 22.0, 4.0, 30.0)]), bath)
    floors = [
        next(it for it in piece.places if it.name == "widest-floor-middle")
        for piece in found.pieces
    ]
    reach_mm = SHEET_MM * (math.cos(math.radians(30)) + math.sin(math.radians(30))) / 2
    # The drawn discs are at 5, 5 mm of sheets that are a little smaller than 10 mm.
    assert (floors[0].x_mm, floors[0].y_mm) == pytest.approx((7.0, 8.0), abs=0.3)
    assert (floors[1].x_mm, floors[1].y_mm) == pytest.approx(
        (22.0 + reach_mm, 4.0 + reach_mm), abs=0.3
    )
    assert floors[1].ratio(1.0) > 1.3 * floors[0].ratio(1.0)
    for piece in found.pieces:
        shares = [
            it.share_of_area
            for it in piece.places
            if it.name.startswith("lines") or it.name == "wider-than-3-mm"
        ]
        assert sum(shares) == pytest.approx(1.0, abs=2e-3)


def test_mixed_files_read_alone(tmp_path: Path) -> None:
    """A scan with its own grey levels, and a drawing whose light parts are etched.

    Each piece is read at its own threshold. Areas: the disc, and pi 4 of a white circle.
    """
    from PIL import Image

    pale = save(tmp_path / "pale.png", DISC, 600)
    image = Image.open(pale).point(lambda level: 80 + level * 0.55)
    image.save(pale, dpi=(600, 600))
    light = tmp_path / "light.svg"
    light.write_bytes(
        svg(
            '<rect width="12" height="12"/><circle cx="6" cy="6" r="2" fill="white"/>',
            'width="12mm" height="12mm"',
            'viewBox="0 0 12 12"',
        )
    )
    inverted = MeasureOptions(invert=True)
    target = tmp_path / "plate.zip"
    write_plate(
        target,
        (40.0, 20.0),
        [
            (entry_of(pale, "pale", (2.0, 2.0, 0.0), PLAIN), pale),
            (entry_of(light, "light", (20.0, 2.0, 45.0), inverted), light),
        ],
    )
    found = measured(target)
    assert [it.area_mm2 for it in found.pieces] == pytest.approx(
        [DISC.area, math.pi * 4.0], rel=2e-3
    )
    whole = levels_of(target).sum() * (found.width_mm / found.width_px) ** 2
    assert whole == pytest.approx(DISC.area + math.pi * 4.0, rel=5e-3)


def test_same_plate_same_bytes(tmp_path: Path) -> None:
    first = plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0)]).read_bytes()
    assert plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0)]).read_bytes() == first
    assert plate_of(tmp_path, [(DISC, 2.0, 3.1, 0.0)]).read_bytes() != first


def test_sheet_beyond_pixels(tmp_path: Path) -> None:
    """A sheet of a metre has 139.5 million pixels at the coarsest 300 dpi."""
    path = plate_of(tmp_path, [(DISC, 2.0, 3.0, 0.0)], size_mm=(1000.0, 1000.0))
    with pytest.raises(RefusedError, match="140 million pixels") as refusal:
        measured(path)
    assert refusal.value.limit == "80 million pixels"


def test_two_resolutions(tmp_path: Path) -> None:
    """A file of 450 dpi beside one of 600 dpi keeps its area on the common grid."""
    entries = []
    for shape, dpi, x_mm in ((DISC, 450.0, 2.013), (BAR, 600.0, 18.0)):
        path = save(tmp_path / f"{dpi}.png", shape, dpi)
        entries.append((entry_of(path, path.name, (x_mm, 3.0, 0.0), PLAIN), path))
    target = tmp_path / "plate.zip"
    write_plate(target, (40.0, 20.0), entries)
    assert levels_of(target).sum() * PX_MM**2 == pytest.approx(DISC.area + BAR.area, rel=1e-4)


def test_growth_beyond_own_sheet(tmp_path: Path) -> None:
    """An opening 0.2 mm from the edge of its sheet grows on into the resist of the plate."""
    bar = box(1.0, 3.0, SHEET_MM - 0.2, 6.0)
    found = measured(plate_of(tmp_path, [(bar, 5.0, 5.0, 0.0)]))
    assert found.grown_mm2(1.0) == pytest.approx(bar.buffer(1.0, 64).area, rel=2e-3)


def test_places_stay_in_piece(tmp_path: Path) -> None:
    """Two sheets turned by 45 degrees lie so that the rectangles around them overlap."""
    small, across = disc(1.0), SHEET_MM * math.sqrt(2.0)
    offset = SHEET_MM / math.sqrt(2.0) + 0.05
    places = [(1.0, 1.0, 45.0), (1.0 + offset, 1.0 + offset, 45.0)]
    pieces: list[Placed] = [(small, *places[0]), (DISC, *places[1])]
    found = measured(plate_of(tmp_path, pieces), BathField(40.0, 10.0, 20.0))
    middle_mm = 1.0 + across / 2
    for place in found.pieces[0].places:
        assert math.hypot(place.x_mm - middle_mm, place.y_mm - middle_mm) < 1.3
