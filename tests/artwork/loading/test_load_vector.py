"""PDF pages and SVG drawings: sizes, boxes, rotation, and everything that is refused."""

from __future__ import annotations

import math
import zlib
from pathlib import Path
from typing import Any

import pytest

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError
from controller.texts import Message
from tests.kits.artwork.files import crop_box, pdf, svg

TWO = "5 5 10 10 re 20 5 0.1 20 re f"
"""A square of 10 mm and an upright line 0.1 x 20 mm: 102 mm2, 80.2 mm of edge."""

TWO_SVG = '<rect x="5" y="5" width="10" height="10"/><rect x="20" y="5" width="0.1" height="20"/>'


USER_UNIT_4 = Message("artwork.pdf.user_unit", {"unit": "4"})


def measured(tmp_path: Path, data: bytes, **options: Any) -> ArtworkMeasure:
    path = tmp_path / "drawing"
    path.write_bytes(data)
    return measure_file(path, MeasureOptions(**options))


def refused(tmp_path: Path, data: bytes, **options: Any) -> RefusedError:
    with pytest.raises(RefusedError) as caught:
        measured(tmp_path, data, **options)
    return caught.value


def chain(links: int) -> str:
    """Return groups that each draw the one before."""
    groups = "".join(f'<g id="l{k + 1}"><use href="#l{k}"/></g>' for k in range(links))
    return f'<defs><rect id="l0" width="1" height="1"/>{groups}</defs><use href="#l{links}"/>'


def copies(levels: int) -> str:
    """Return groups that each draw the one before ten times."""
    groups = "".join(
        f'<g id="l{k + 1}">' + f'<use href="#l{k}"/>' * 10 + "</g>" for k in range(levels)
    )
    return f'<defs><rect id="l0" width="1" height="1"/>{groups}</defs><use href="#l{levels}"/>'


def test_deep_drawing_is_drawn(tmp_path: Path) -> None:
    """Nesting and copies below the limits are drawn; a part inside itself is refused."""
    deep = svg("<g>" * 95 + '<rect width="5" height="4"/>' + "</g>" * 95)
    assert measured(tmp_path, deep).area_mm2 == pytest.approx(20.0, rel=1e-3)
    assert measured(tmp_path, svg(chain(30))).area_mm2 == pytest.approx(1.0, rel=5e-3)
    circle = '<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>'
    assert refused(tmp_path, svg(circle)).message.key == "artwork.svg.undrawable"


def test_pdf_page_measured(tmp_path: Path) -> None:
    """A PDF page reaches the targets."""
    found = measured(tmp_path, pdf([TWO], 50, 30))
    assert (found.width_mm, found.height_mm) == pytest.approx((50.0, 30.0), abs=0.02)
    assert found.area_mm2 == pytest.approx(102.0, rel=1e-3)
    assert found.edge_mm == pytest.approx(80.2, rel=5e-3)
    assert found.narrowest_open is not None
    assert found.narrowest_open.width_mm == pytest.approx(0.1, abs=0.003)
    assert (found.file_format, found.quality) == ("PDF", "drawing")
    assert found.scale_source.key == "artwork.scale_source.page_size"
    assert found.grid_dpi >= 600


def test_curves_of_a_pdf(tmp_path: Path) -> None:
    """A disc of 5 mm radius from four Bezier arcs, which is 0.027 % larger.

    Source: the usual k = 0.5523 approximation.
    """
    k = 5 * 0.5522847498
    arcs = (
        f"30 15 m 30 {15 + k} {25 + k} 20 25 20 c {25 - k} 20 20 {15 + k} 20 15 c "
        f"20 {15 - k} {25 - k} 10 25 10 c "
        f"{25 + k} 10 30 {15 - k} 30 15 c f"
    )
    found = measured(tmp_path, pdf([arcs], 50, 30))
    assert found.area_mm2 == pytest.approx(math.pi * 25, rel=1e-3)
    assert found.edge_mm == pytest.approx(math.pi * 10, rel=2e-3)
    assert found.grown_mm2(1.0) == pytest.approx(math.pi * 36, rel=2e-3)


def test_crop_box_and_rotation(tmp_path: Path) -> None:
    """The crop box is the page and rotation turns it."""
    found = measured(tmp_path, pdf([TWO], 50, 30, crop_box(2, 2, 18, 28) + "/Rotate 90"))
    assert (found.width_mm, found.height_mm) == pytest.approx((26.0, 16.0), abs=0.03)
    assert found.area_mm2 == pytest.approx(100.0, rel=1e-3), "the line lies outside"
    turned = measured(tmp_path, pdf(["5 5 1 10 re 6.3 5 1 10 re f"], 20, 30, "/Rotate 90"))
    assert turned.narrowest_resist is not None
    # Clockwise by 90 degrees: what was x from the left is now y from the top.
    assert turned.narrowest_resist.y_mm == pytest.approx(6.15, abs=0.05)
    assert 4.99 <= turned.narrowest_resist.x_mm <= 15.0


def test_pages_of_a_pdf(tmp_path: Path) -> None:
    both = pdf([TWO, "5 5 4 4 re f"], 50, 30)
    assert measured(tmp_path, both, page=2).area_mm2 == pytest.approx(16.0, rel=1e-3)
    warnings = measured(tmp_path, both).warnings
    assert warnings == (Message("artwork.file.one_page_of", {"page": 1, "pages": 2}),)
    error = refused(tmp_path, both, page=3)
    assert (error.field, error.limit) == ("page", "1-2")
    assert error.message == Message("artwork.file.no_page", {"page": 3, "count": 2})


def test_pdf_scaled_by_width(tmp_path: Path) -> None:
    """A PDF may be scaled by its width but not by dpi."""
    assert measured(tmp_path, pdf([TWO], 50, 30), width_mm=25.0).area_mm2 == pytest.approx(
        102.0 / 4, rel=2e-3
    )
    assert refused(tmp_path, pdf([TWO], 50, 30), dpi=600.0).field == "dpi"


@pytest.mark.parametrize(
    "entry", ["/UserUnit 2", "/UserUnit 0.5", "/User#55nit 3.0", "/UserUnit 9 0 R"]
)
def test_a_user_unit_is_refused(tmp_path: Path, entry: str) -> None:
    message = refused(tmp_path, pdf([TWO], 50, 30, entry)).message
    assert message == Message("artwork.pdf.user_unit", {"unit": entry.split()[1]})


def test_user_unit_of_one(tmp_path: Path) -> None:
    """A user unit of one is nothing special."""
    assert measured(tmp_path, pdf([TWO], 50, 30, "/UserUnit 1.0")).area_mm2 == pytest.approx(
        102.0, rel=1e-3
    )


def test_user_unit_in_compressed_object(tmp_path: Path) -> None:
    """A user unit in a compressed object is found."""
    packed = zlib.compress(b"3 0 <</Type/Page/UserUnit 4>>")
    hidden = (
        b"9 0 obj\n<</Type/ObjStm/N 1/First 4/Filter/FlateDecode/Length %d>>stream\r\n"
        % len(packed)
        + packed
        + b"\nendstream\nendobj\n"
    )
    assert refused(tmp_path, pdf([TWO], 50, 30) + hidden).message == USER_UNIT_4


def test_search_continues_after_bare_word(tmp_path: Path) -> None:
    """The word /ObjStm without a stream behind it, in a comment, hides no compressed object that
    comes later.
    """
    packed = zlib.compress(b"3 0 <</Type/Page/UserUnit 4>>")
    word = b"\n% /ObjStm\n" + b"%" * 3000 + b"\n"
    stream = (
        b"9 0 obj\n<</Type/ObjStm/Filter/FlateDecode/Length %d>>stream\r\n" % len(packed) + packed
    )
    hidden = word + stream + b"\nendstream\nendobj\n"
    assert refused(tmp_path, pdf([TWO], 50, 30) + hidden).message == USER_UNIT_4


def test_pdf_hairlines_warned(tmp_path: Path) -> None:
    """Hairlines of a PDF are warned about."""
    found = measured(tmp_path, pdf([f"{TWO} 0 w 30 5 m 40 20 l S"], 50, 30))
    (warning,) = found.warnings
    assert (warning.key, warning.values["count"]) == ("artwork.pdf.hairlines", 1)
    assert warning.values["width_mm"] == pytest.approx(25.4 / found.dpi)


def test_missing_font_warned(tmp_path: Path) -> None:
    """Text without its font is warned about."""
    font = "/Resources<</Font<</F<</Type/Font/Subtype/Type1/BaseFont/Helvetica>>>>>>"
    data = pdf([f"{TWO} BT /F 5 Tf 30 20 Td (abc) Tj ET"], 50, 30).replace(
        b"/Resources<<>>", font.encode()
    )
    assert measured(tmp_path, data).warnings == (Message("artwork.pdf.fonts", {"count": 1}),)


@pytest.mark.parametrize(
    "data", [b"%PDF-1.7\n", b"%PDF-1.7 nonsense" * 20, pdf([TWO], 50, 30)[:200]]
)
def test_damaged_pdfs_are_refused(tmp_path: Path, data: bytes) -> None:
    assert refused(tmp_path, data).field in ("file", "page")


@pytest.mark.parametrize(("width", "height"), [(2000.0, 30.0), (50.0, 0.1)])
def test_absurd_page_size_refused(tmp_path: Path, width: float, height: float) -> None:
    """Pages of absurd size are refused."""
    error = refused(tmp_path, pdf([TWO], width, height))
    side = "width" if width > height * 10 and width > 1000 else "height"
    assert error.message.key == f"artwork.drawing.page_{side}"
    assert error.limit == "0.5-1000 mm"


def test_turned_svg_measured(tmp_path: Path) -> None:
    """An SVG reaches the targets at any turn."""
    shapes = f'<g transform="rotate(13 25 15)">{TWO_SVG}<circle cx="35" cy="15" r="5"/></g>'
    found = measured(tmp_path, svg(shapes))
    assert (found.width_mm, found.height_mm) == pytest.approx((50.0, 30.0), abs=0.02)
    assert found.area_mm2 == pytest.approx(102.0 + math.pi * 25, rel=1e-3)
    assert found.edge_mm == pytest.approx(80.2 + math.pi * 10, rel=5e-3)
    assert found.grid_dpi == pytest.approx(600, rel=0.01)


@pytest.mark.parametrize(
    "size",
    [
        'width="5cm" height="3cm"',
        'width="1.968504in" height="1.181102in"',
        'width="141.732pt" height="85.039pt"',
    ],
)
def test_physical_sizes_of_an_svg(tmp_path: Path, size: str) -> None:
    found = measured(tmp_path, svg(TWO_SVG, size))
    assert (found.width_mm, found.height_mm) == pytest.approx((50.0, 30.0), abs=0.03)
    assert found.area_mm2 == pytest.approx(102.0, rel=2e-3)


@pytest.mark.parametrize(
    "size",
    ["", 'width="500" height="300"', 'width="100%" height="100%"', 'width="500px" height="300px"'],
)
def test_svg_without_size_needs_width(tmp_path: Path, size: str) -> None:
    """An SVG without a physical size needs width_mm."""
    assert refused(tmp_path, svg(TWO_SVG, size)).field == "width_mm"
    assert measured(tmp_path, svg(TWO_SVG, size), width_mm=50.0).area_mm2 == pytest.approx(
        102.0, rel=2e-3
    )


def test_svg_without_viewbox(tmp_path: Path) -> None:
    """Source: CSS Values and Units 4, section 6.2: 1 in = 96 px."""
    unit = 96 / 25.4
    shape = f'<rect x="{5 * unit}" y="{5 * unit}" width="{10 * unit}" height="10mm"/>'
    assert measured(tmp_path, svg(shape, box="")).area_mm2 == pytest.approx(100.0, rel=1e-3)


def test_svg_keeps_its_aspect(tmp_path: Path) -> None:
    """A viewBox of 50 x 30 in a page of 100 x 30 mm: the drawing stays 50 x 30 mm in the middle."""
    found = measured(
        tmp_path,
        svg(TWO_SVG + '<rect x="6" y="27" width="1" height="2"/>', 'width="100mm" height="30mm"'),
    )
    assert found.area_mm2 == pytest.approx(104.0, rel=2e-3)


ATTACKS = {
    "script": ("svg.active", svg("<script>1</script>" + TWO_SVG)),
    "handler": ("svg.handler", svg('<rect width="9" height="9" onclick="x()"/>')),
    "javascript": (
        "svg.script",
        svg('<a href="#" style="fill:javascript:x"><rect width="9" height="9"/></a>'),
    ),
    "image from a file": (
        "svg.reference",
        svg('<image href="file:///etc/passwd" width="9" height="9"/>'),
    ),
    "image from the net": (
        "svg.reference",
        svg('<image href="http://192.0.2.1/a.png" width="9" height="9"/>'),
    ),
    "use of another file": ("svg.reference", svg('<use href="other.svg#a"/>')),
    "svg inside data": (
        "svg.reference",
        svg('<image href="data:image/svg+xml;base64,AAAA" width="9" height="9"/>'),
    ),
    "style import": (
        "svg.style_reference",
        svg('<style>@import "http://192.0.2.1/a.css";</style>' + TWO_SVG),
    ),
    "style url": (
        "svg.style_reference",
        svg('<rect width="9" height="9" style="fill: url( \'http://192.0.2.1/a#b\' )"/>'),
    ),
    "style escape": (
        "svg.style_reference",
        svg("<style>rect{fill:u\\72l(http://192.0.2.1/a)}</style>" + TWO_SVG),
    ),
    "foreign object": ("svg.active", svg("<foreignObject/>" + TWO_SVG)),
    "text": ("svg.text", svg('<text x="5" y="9">abc</text>')),
    "doctype": ("svg.doctype", b'<!DOCTYPE svg [<!ENTITY a "b">]>' + svg("&a;" + TWO_SVG)),
    "style sheet instruction": (
        "svg.instruction",
        b'<?xml-stylesheet href="http://192.0.2.1/a.css"?>' + svg(TWO_SVG),
    ),
    "other root": ("svg.root", b'<html xmlns="http://www.w3.org/1999/xhtml"><svg/></html>'),
    "UTF-16": ("file.unknown_kind", svg(TWO_SVG).decode().encode("utf-16")),
    "Latin-1": ("svg.encoding", svg(TWO_SVG + "<!-- \u00e9 -->").decode().encode("latin-1")),
    "cut short": ("svg.damaged", svg(TWO_SVG)[:-9]),
    "too deep": ("svg.too_deep", svg("<g>" * 250 + "</g>" * 250)),
    "too deep by references": ("svg.too_deep", svg(chain(200))),
    "too many elements": ("svg.too_many_elements", svg("<g/>" * 100_001)),
    "too many copies": ("svg.too_many_elements", svg(copies(10))),
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_harmful_svg_refused(tmp_path: Path, attack: str) -> None:
    """An SVG is refused when it runs, fetches, or depends on this machine."""
    key, data = ATTACKS[attack]
    error = refused(tmp_path, data)
    assert (error.field, error.message.key) == ("file", f"artwork.{key}")


def test_inner_references_drawn(tmp_path: Path) -> None:
    """References inside the file are fine."""
    shapes = (
        '<defs><linearGradient id="a"><stop stop-color="black"/></linearGradient>'
        '<rect id="b" width="10" height="10"/></defs>'
        '<use href="#b" x="5" y="5" fill="url(#a)"/><style>rect{stroke:none}</style>'
    )
    assert measured(tmp_path, svg(shapes)).area_mm2 == pytest.approx(100.0, rel=2e-3)


def test_svg_without_dpi_and_pages(tmp_path: Path) -> None:
    """Dpi and pages are not for SVG."""
    assert refused(tmp_path, svg(TWO_SVG), dpi=600.0).field == "dpi"
    assert refused(tmp_path, svg(TWO_SVG), page=2).field == "page"


@pytest.mark.parametrize(("width", "height"), [(100.0, 60.0), (33.3, 21.7), (7.9, 5.3)])
def test_dark_page_without_rim(tmp_path: Path, width: float, height: float) -> None:
    """A page that is black but for a square of 2 mm: plain it is the page less 4 mm2, inverted the
    square alone.
    """
    drawn = pdf([f"0 0 {width} {height} re 2 2 2 2 re f*"], width, height)
    size, box = f'width="{width}mm" height="{height}mm"', f'viewBox="0 0 {width} {height}"'
    both = (
        f'<rect width="{width}" height="{height}"/>'
        '<rect x="2" y="2" width="2" height="2" fill="white"/>'
    )
    for data in (drawn, svg(both, size, box)):
        inverted = measured(tmp_path, data, invert=True)
        assert inverted.area_mm2 == pytest.approx(4.0, rel=4e-3), "level edges between pixels"
        assert inverted.open_fields == 1
        assert measured(tmp_path, data).area_mm2 == pytest.approx(width * height - 4.0, rel=5e-4)
        assert (inverted.width_mm, inverted.height_mm) == pytest.approx((width, height), rel=5e-4)
