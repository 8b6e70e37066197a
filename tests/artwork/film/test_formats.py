"""PDF, PNG and SVG at true size, with their marks."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from shapely.geometry import box

from controller.artwork.film.layout import layout
from controller.artwork.film.options import FilmOptions
from tests.artwork.film.film_kit import BARE, film, measured
from tests.kits.artwork import shapes

MM = 1200 / 25.4


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A field of 4 x 3 mm in the upper left of a sheet of 9.99 mm."""
    folder = tmp_path_factory.mktemp("drawn")
    return shapes.save(folder / "drawn.png", box(1.0, 2.0, 5.0, 5.0), 600.0)


def bits(path: Path) -> np.ndarray:
    """Return which pixels of a PNG are black."""
    with Image.open(path) as image:
        assert image.mode == "1"
        assert image.info["dpi"] == pytest.approx((1200, 1200), rel=1e-5)
        return ~np.asarray(image)


def test_formats_agree(drawn: Path) -> None:
    """The opening measures the same in all three formats: 3.6 x 2.6 mm."""
    for file_format in ("pdf", "png", "svg"):
        _, path = film(drawn, file_format, depth_mm=0.2, **BARE)
        found = measured(path)
        assert found.area_mm2 == pytest.approx(3.6 * 2.6, rel=5e-3), file_format
        assert (found.width_mm, found.height_mm) == pytest.approx((9.99, 9.99), abs=0.03)


def test_media_box_is_exact(drawn: Path) -> None:
    """A PDF's page is as large as the film, in units of 1/72 inch (ISO 32000-1, 8.3.2.3)."""
    result, path = film(drawn, depth_mm=0.2)
    page = pypdfium2.PdfDocument(path)[0]
    assert page.get_size() == pytest.approx(
        (result.width_mm / 25.4 * 72, result.height_mm / 25.4 * 72), abs=1e-3
    )
    assert b"/PrintScaling/None" in path.read_bytes()


def test_svg_is_in_mm(drawn: Path) -> None:
    """An SVG gives its size in mm and draws in mm (SVG 2, 8.2)."""
    result, path = film(drawn, "svg", depth_mm=0.2)
    head = path.read_text()[:300]
    assert f'width="{result.width_mm:.4f}mm" height="{result.height_mm:.4f}mm"' in head
    assert f'viewBox="0 0 {result.width_mm:.4f} {result.height_mm:.4f}"' in head
    corners = {(float(x), float(y)) for x, y in re.findall(r"([\d.]+),([\d.]+)", path.read_text())}
    assert max(x for x, _ in corners) < result.width_mm


@pytest.mark.parametrize("length_mm", [100.0, 62.5])
def test_scale_bar_is_true(drawn: Path, length_mm: float) -> None:
    """The longest black run of the film is the scale bar, as long as it says."""
    result, path = film(drawn, "png", depth_mm=0.2, scale_bar_mm=length_mm)
    assert result.scale_bar_mm == length_mm
    rows = bits(path).sum(1)
    assert rows.max() / MM == pytest.approx(length_mm, abs=0.03)
    assert np.count_nonzero(rows == rows.max()) / MM == pytest.approx(1.0, abs=0.03)
    assert path.read_bytes().startswith(b"\x89PNG")


def test_mirrored_by_default(drawn: Path) -> None:
    """The default film is the other one the wrong way round, pixel by pixel."""
    _, path = film(drawn, "png", depth_mm=0.2)
    mirrored = bits(path).copy()
    _, path = film(drawn, "png", depth_mm=0.2, mirrored=False)
    plain = bits(path)
    differ = np.count_nonzero(mirrored[:, ::-1] != plain, axis=1)
    words = round(3 * 4.0 * MM)  # the words differ: they say which side lies on the resist
    assert differ[: -words - 200].max() <= 20, "a pixel at each edge: the film ends between two"
    assert np.count_nonzero(mirrored != plain) > 10_000


def test_mirrored_outlines(drawn: Path) -> None:
    """The opening lies at the left of the plain film, and at the right of the mirrored one."""
    for file_format in ("pdf", "svg"):
        for mirrored, middle_mm in ((False, 3.0), (True, 9.99 - 3.0)):
            _, path = film(drawn, file_format, depth_mm=0.2, **{**BARE, "mirrored": mirrored})
            assert _middle_mm(path) == pytest.approx(middle_mm, abs=0.02)


def _middle_mm(path: Path) -> float:
    """Return the mean place of what is black, from the left."""
    if path.suffix == ".svg":
        ring = re.findall(r"M([^Z]+)Z", path.read_text())[0]
        x = [float(point.split(",")[0]) for point in ring.split()]
        return (min(x) + max(x)) / 2.0
    page = pypdfium2.PdfDocument(path)[0]
    grey = np.asarray(page.render(scale=20).to_pil().convert("L"))
    columns = np.flatnonzero((grey < 128).any(0))
    return float(columns.mean() + 0.5) * 25.4 / 72 / 20


def test_negative_is_opposite(drawn: Path) -> None:
    """On a negative, what is clear inside the plate is black and the other way round."""
    options = {"depth_mm": 0.2, "with_marks": False, "border_mm": 3.0}
    _, path = film(drawn, "png", **options)
    positive = bits(path).copy()
    _, path = film(drawn, "png", negative=True, **options)
    assert np.array_equal(bits(path), ~positive)
    for file_format in ("pdf", "svg"):
        result, path = film(drawn, file_format, negative=True, **options)
        plate_mm2 = result.plate_width_mm * result.plate_height_mm
        assert measured(path).area_mm2 == pytest.approx(plate_mm2 - 3.6 * 2.6, rel=3e-4)


def test_marks_stay_off_the_plate() -> None:
    """Nothing is printed on plate and tab but the artwork: it would be etched."""
    for edge in (None, "top", "right", "bottom", "left"):
        plan = layout((40.0, 30.0), FilmOptions(0.25, 1.2, tab_edge=edge))
        plate = _outline(plan.plate)
        metal = plate if plan.tab is None else plate.union(_outline(plan.tab))
        if plan.tab is not None:
            assert metal.area == pytest.approx(50.0 * 40.0 + 150.0)
            assert _outline(plan.tab).touches(plate)
        page = box(0, 0, plan.width_mm, plan.height_mm)
        boxes = [_outline(it) for it in plan.black]
        for one in boxes:
            assert not one.intersects(metal)
            assert page.contains(one)
        for k, one in enumerate(boxes):
            assert all(one.intersection(it).area == 0.0 for it in boxes[k + 1 :])
        assert math.isclose(_outline(plan.artwork).centroid.distance(plate.centroid), 0.0)


def _outline(it: object) -> object:
    return box(it.left_mm, it.top_mm, it.left_mm + it.width_mm, it.top_mm + it.height_mm)


def test_bleeding_artwork_ends_at_plate(tmp_path: Path) -> None:
    """An opening that runs over the sheet's side ends there, and is not narrowed on that side."""
    image = Image.new("L", (236, 236), 255)
    image.paste(0, (0, 50, 236, 150))
    image.save(tmp_path / "drawn.png", dpi=(600, 600))
    for file_format in ("pdf", "svg", "png"):
        options = {**BARE, "border_mm": 2.0}
        result, path = film(tmp_path / "drawn.png", file_format, depth_mm=0.2, **options)
        high_mm = 100 / 600 * 25.4 - 0.4
        wide_mm = result.width_mm - 4.0
        assert measured(path).area_mm2 == pytest.approx(high_mm * wide_mm, rel=4e-3)


def test_words_are_printed(drawn: Path) -> None:
    """The words under the bar are outlines: they need no font where the film is printed."""
    result, path = film(drawn, depth_mm=0.2)
    document = pypdfium2.PdfDocument(path)
    assert document[0].get_textpage().get_text_range() == ""
    grey = np.asarray(document[0].render(scale=10).to_pil().convert("L"))
    below = grey[-round(12 / 25.4 * 720) :]
    assert (below < 128).sum() > 3000
    assert result.height_mm > result.plate_height_mm + 20.0
