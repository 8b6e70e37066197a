"""Scale, plate outline, margin, copies, inversion: areas that follow from the drawing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box
from shapely.ops import unary_union

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import Message
from tests.kits.artwork.shapes import bar, disc, file_bytes, grey_image, save, sheet_px

SHEET_MM = sheet_px(600) * 25.4 / 600


@pytest.fixture
def two_bars(tmp_path: Path) -> Path:
    """Two upright bars 1 x 8 mm at 2 and 7 mm from the left, on a sheet of about 10 x 10 mm."""
    return save(tmp_path / "a.png", unary_union([box(2, 1, 3, 9), box(7, 1, 8, 9)]), 600)


def test_outline_excludes_outside(two_bars: Path) -> None:
    """A centred plate of 5 x 4 mm holds 0.5 x 4 mm and one side of each bar; a cut along the
    outline is no edge.
    """
    found = measure_file(two_bars, MeasureOptions(plate_width_mm=5.0, plate_height_mm=4.0))
    middle = SHEET_MM / 2
    width = (3.0 - (middle - 2.5)) + ((middle + 2.5) - 7.0)
    assert found.area_mm2 == pytest.approx(width * 4.0, rel=1e-3)
    assert found.edge_mm == pytest.approx(8.0, rel=1e-3)
    assert (found.width_mm, found.height_mm) == (5.0, 4.0)
    assert found.open_fraction == pytest.approx(found.area_mm2 / 20.0)
    assert found.grown_mm2(0.5) == pytest.approx((width + 1.0) * 4.0, rel=2e-3)
    assert found.growth_mm2[-1][1] <= 20.0 + 1e-9


def test_outline_between_pixels(tmp_path: Path) -> None:
    """An outline between pixels counts by its share."""
    path = tmp_path / "black.png"
    path.write_bytes(file_bytes(Image.new("L", (300, 300), 0), "PNG", 600))
    for side in (5.0, 5.01, 5.02, 5.03):
        found = measure_file(path, MeasureOptions(plate_width_mm=side, plate_height_mm=4.0))
        assert found.area_mm2 == pytest.approx(side * 4.0, rel=1e-9)
        assert found.edge_mm == 0.0
        assert found.open_fraction == pytest.approx(1.0)
        assert found.growth_mm2[-1][1] == pytest.approx(side * 4.0, rel=1e-9), (
            "nothing grows outside the plate"
        )


def test_margin_equals_outline(two_bars: Path) -> None:
    """A margin is the same as its outline."""
    by_margin = measure_file(two_bars, MeasureOptions(margin_mm=2.0))
    side = SHEET_MM - 4.0
    by_outline = measure_file(two_bars, MeasureOptions(plate_width_mm=side, plate_height_mm=side))
    assert by_margin.area_mm2 == pytest.approx(by_outline.area_mm2, rel=1e-9)
    assert by_margin.edge_mm == pytest.approx(by_outline.edge_mm, rel=1e-9)
    with pytest.raises(RefusedError) as refused:
        measure_file(two_bars, MeasureOptions(margin_mm=4.9))
    assert (refused.value.field, refused.value.message.key) == ("margin_mm", "artwork.margin")


def test_larger_plate_has_resist(tmp_path: Path) -> None:
    """A bar that reaches the sheet's edge: on a larger plate its end is an edge and grows, on the
    sheet alone it is cut.
    """
    path = save(tmp_path / "a.png", box(1, 4, 9, 6), 600)
    with Image.open(path) as opened:
        image = np.asarray(opened).copy()
    image[:, : sheet_px(600) // 2] = image[:, [sheet_px(600) // 2]]
    path.write_bytes(file_bytes(Image.fromarray(image), "PNG", 600))
    alone = measure_file(path, MeasureOptions())
    larger = measure_file(path, MeasureOptions(plate_width_mm=20.0, plate_height_mm=20.0))
    assert larger.area_mm2 == pytest.approx(alone.area_mm2, rel=1e-9)
    assert larger.edge_mm == pytest.approx(alone.edge_mm + 2.0, rel=2e-3)
    assert larger.grown_mm2(0.5) == pytest.approx(
        18.0 + 0.5 * (2 * 9.0 + 2 * 2.0) + np.pi / 4, rel=3e-3
    )
    assert alone.grown_mm2(0.5) == pytest.approx(18.0 + 0.5 * (2 * 9.0 + 2.0) + np.pi / 8, rel=3e-3)
    assert larger.open_fraction == pytest.approx(alone.area_mm2 / 400.0)


def test_places_from_artwork_corner(tmp_path: Path) -> None:
    """Places count from the artwork's corner whatever the plate."""
    path = save(tmp_path / "a.png", unary_union([box(2, 2, 4, 8), box(4.3, 2, 6, 8)]), 600)
    for options in (
        MeasureOptions(),
        MeasureOptions(margin_mm=1.0),
        MeasureOptions(plate_width_mm=30.0, plate_height_mm=30.0),
    ):
        found = measure_file(path, options)
        assert found.narrowest_resist is not None
        assert found.narrowest_resist.x_mm == pytest.approx(4.15, abs=0.02)
        assert 2.0 <= found.narrowest_resist.y_mm <= 8.0


def test_no_growth_from_outside(tmp_path: Path) -> None:
    """A bar that crosses the outline aslant: only what is on the plate grows.

    Source: shapely's buffer, cut by the plate.
    """
    shape = bar(7.0, 0.6, 5.0, 5.0, 0.5)
    middle = SHEET_MM / 2
    plate = box(middle - 1, middle - 1, middle + 1, middle + 1)
    found = measure_file(
        save(tmp_path / "a.png", shape, 600),
        MeasureOptions(plate_width_mm=2.0, plate_height_mm=2.0),
    )
    inside = shape.intersection(plate)
    assert found.area_mm2 == pytest.approx(inside.area, rel=1e-3)
    for s_mm in (0.1, 0.3, 0.5):
        assert found.grown_mm2(s_mm) == pytest.approx(
            inside.buffer(s_mm).intersection(plate).area, rel=6e-3
        )


@pytest.mark.parametrize(("dpi", "width", "height"), [(1200, 301, 303), (1800, 302, 305)])
def test_cut_blocks_hold_resist(tmp_path: Path, dpi: int, width: int, height: int) -> None:
    """A block cut by the artwork's edge holds resist of a larger plate."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(Image.new("L", (width, height), 0), "PNG", dpi))
    found = measure_file(path, MeasureOptions(plate_width_mm=20.0, plate_height_mm=20.0))
    assert found.area_mm2 == pytest.approx(width * height * (25.4 / dpi) ** 2, rel=1e-3)


@pytest.mark.parametrize(("width_mm", "height_mm"), [(20.0, SHEET_MM), (SHEET_MM, 20.0)])
def test_plate_larger_one_way(two_bars: Path, width_mm: float, height_mm: float) -> None:
    """Grown by 2.4 mm the bars leave the artwork on all sides.

    Source: shapely's buffer, cut by the plate.
    """
    options = MeasureOptions(
        plate_width_mm=width_mm, plate_height_mm=height_mm, max_undercut_mm=2.5
    )
    found = measure_file(two_bars, options)
    middle = SHEET_MM / 2
    plate = box(
        middle - width_mm / 2, middle - height_mm / 2, middle + width_mm / 2, middle + height_mm / 2
    )
    bars = unary_union([box(2, 1, 3, 9), box(7, 1, 8, 9)])
    assert found.area_mm2 == pytest.approx(bars.area, rel=1e-3)
    assert found.grown_mm2(2.4) == pytest.approx(
        bars.buffer(2.4, quad_segs=64).intersection(plate).area, rel=2e-3
    )


def test_copies_multiply(two_bars: Path) -> None:
    one, three = (
        measure_file(two_bars, MeasureOptions()),
        measure_file(two_bars, MeasureOptions(copies=3)),
    )
    assert three.area_mm2 == pytest.approx(3 * one.area_mm2)
    assert three.edge_mm == pytest.approx(3 * one.edge_mm)
    assert three.area_uncertainty_mm2 == pytest.approx(3 * one.area_uncertainty_mm2)
    assert [area for _, area in three.growth_mm2] == pytest.approx(
        [3 * area for _, area in one.growth_mm2]
    )
    assert three.open_fields == 6
    assert three.width_mm == one.width_mm


def test_inverted_artwork_etches_the_rest(two_bars: Path) -> None:
    plain, inverted = (
        measure_file(two_bars, MeasureOptions()),
        measure_file(two_bars, MeasureOptions(invert=True)),
    )
    assert inverted.area_mm2 == pytest.approx(SHEET_MM**2 - plain.area_mm2, rel=1e-6)
    assert inverted.edge_mm == pytest.approx(plain.edge_mm, rel=1e-3)
    assert inverted.inverted
    assert inverted.grown_mm2(0.6) == pytest.approx(SHEET_MM**2, rel=1e-6), (
        "bars of 1 mm are gone after 0.5 mm"
    )


@pytest.mark.parametrize("dpi", [600, 1200, 1800, 2400])
def test_finer_files_averaged_down(tmp_path: Path, dpi: int) -> None:
    """Finer files are averaged down and measure the same."""
    shape = disc(0.7, 2.0, 2.0)
    side = int(4.1 / 25.4 * dpi)
    image = grey_image(shape, dpi).crop((0, 0, side, side))
    (tmp_path / "a.png").write_bytes(file_bytes(image, "PNG", dpi))
    found = measure_file(tmp_path / "a.png", MeasureOptions())
    assert found.grid_dpi == pytest.approx(600)
    assert found.area_mm2 == pytest.approx(shape.area, rel=1e-3)
    assert found.edge_mm == pytest.approx(shape.length, rel=2e-3)
    assert found.width_mm == pytest.approx(side * 25.4 / dpi, rel=1e-9), (
        "also when the pixels do not divide"
    )


def test_blank_and_black_sheets(tmp_path: Path) -> None:
    """A blank sheet is refused and a black one is wholly open."""
    white = tmp_path / "w.png"
    white.write_bytes(file_bytes(Image.new("L", (100, 100), 255), "PNG", 600))
    with pytest.raises(RefusedError) as refused:
        measure_file(white, MeasureOptions())
    assert (refused.value.field, refused.value.message.key) == ("invert", "artwork.nothing_dark")
    assert measure_file(white, MeasureOptions(invert=True)).open_fraction == pytest.approx(1.0)


def test_tones_and_faint_scans_refused(tmp_path: Path) -> None:
    """A picture in tones is refused and a faint scan too."""
    tones = np.tile(np.linspace(0, 255, 300).astype(np.uint8), (300, 1))
    (tmp_path / "t.png").write_bytes(file_bytes(Image.fromarray(tones), "PNG", 600))
    with pytest.raises(RefusedError) as refused:
        measure_file(tmp_path / "t.png", MeasureOptions())
    assert refused.value.message.key == "artwork.tones"
    faint = np.full((300, 300), 150, np.uint8)
    faint[100:200] = 110
    (tmp_path / "f.png").write_bytes(file_bytes(Image.fromarray(faint), "PNG", 600))
    with pytest.raises(RefusedError) as refused:
        measure_file(tmp_path / "f.png", MeasureOptions())
    assert refused.value.message == Message(
        "artwork.contrast", {"dark_level": 110, "light_level": 150, "least_levels": 60}
    )


@pytest.mark.parametrize(
    ("shade", "is_warned"), [(10, True), (3, False), (252, False), (245, True)]
)
def test_shaded_parts_warned(tmp_path: Path, shade: int, is_warned: bool) -> None:
    image = Image.new("L", (400, 400), 255)
    image.paste(0, (20, 20, 300, 380))
    image.paste(255 - shade, (200, 100, 300, 200) if shade > 127 else (320, 20, 398, 380))
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(image, "PNG", 600))
    keys = [warning.key for warning in measure_file(path, MeasureOptions()).warnings]
    assert keys == (["artwork.grey_parts"] if is_warned else [])


def test_growth_reaches_the_undercut(two_bars: Path) -> None:
    """The growth curve reaches 1 mm, or the undercut if that is larger."""
    assert measure_file(two_bars, MeasureOptions()).growth_mm2[-1][0] == 1.0
    deep = measure_file(two_bars, MeasureOptions(depth_mm=1.8, etch_factor=1.2))
    assert deep.growth_mm2[-1][0] == pytest.approx(1.5)
    reference = (
        unary_union([box(2, 1, 3, 9), box(7, 1, 8, 9)])
        .buffer(1.5, quad_segs=64)
        .intersection(box(0, 0, SHEET_MM, SHEET_MM))
    )
    assert deep.growth_mm2[-1][1] == pytest.approx(reference.area, rel=2e-3)
