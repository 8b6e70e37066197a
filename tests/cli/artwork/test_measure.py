"""``biteclock measure``: JSON keys, options and refusals."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box
from shapely.ops import unary_union

from controller.artwork import client
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from tests.kits.artwork.files import pdf, svg
from tests.kits.artwork.shapes import SIDE_MM, disc, file_bytes, grey_image, save
from tests.kits.cli_kit import Command

SHAPE = unary_union([box(1.0, 2.0, 4.0, 8.0), box(4.3, 2.0, 6.0, 8.0), disc(0.8, 8.0, 5.0)])
"""Two fields of 3 x 6 and 1.7 x 6 mm, 0.3 mm of resist between them, and a disc 1.2 mm away."""

PROMISED = {
    "area_mm2",
    "area_uncertainty_mm2",
    "edge_mm",
    "edge_uncertainty_mm",
    "growth_mm2",
    "growth_uncertainty_mm2",
    "narrowest_resist_mm",
    "lost_lines",
    "width_mm",
    "height_mm",
}


COMMAND = Command("measure")
call, json_of = COMMAND.call, COMMAND.json_of


@pytest.fixture(scope="module", autouse=True)
def _measured_here() -> Iterator[None]:
    """Measure without a separate process, which tests/artwork/test_client.py checks.

    A measurement with a picture takes the process.
    """
    in_process = client.measure

    def measure(path: Path, options: MeasureOptions, **more: Any) -> ArtworkMeasure:
        if more.get("preview_path") is not None:
            return in_process(path, options, **more)
        return measure_file(path, options)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(client, "measure", measure)
        yield


@pytest.fixture(scope="module")
def artwork(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save(tmp_path_factory.mktemp("artwork") / "work.png", SHAPE, 600)


def test_agreement_with_shapely(artwork: Path, tmp_path: Path) -> None:
    preview = tmp_path / "p.png"
    found = json_of(artwork, "--depth-mm", 0.24, "--etch-factor", 1.2, "--preview", preview)
    assert set(found) >= PROMISED
    assert found["area_mm2"] == pytest.approx(SHAPE.area, rel=1e-3)
    assert found["edge_mm"] == pytest.approx(SHAPE.length, rel=5e-3)
    assert (
        abs(found["area_mm2"] - SHAPE.area)
        < 3.0 * found["area_uncertainty_mm2"]
        < 0.01 * SHAPE.area
    )
    assert 0.0 < found["edge_uncertainty_mm"] < 0.02 * SHAPE.length
    side_mm = int(SIDE_MM / 25.4 * 600) / 600 * 25.4
    assert (found["width_mm"], found["height_mm"]) == pytest.approx((side_mm, side_mm))
    growth = found["growth_mm2"]
    assert growth[0] == [0.0, found["area_mm2"]]
    assert growth[-1][0] >= 1.0
    for s_mm, area_mm2 in growth:
        assert area_mm2 == pytest.approx(SHAPE.buffer(s_mm, quad_segs=64).area, rel=0.003)
    assert [s_mm for s_mm, _ in found["growth_uncertainty_mm2"]] == [s_mm for s_mm, _ in growth]
    assert all(sigma_mm2 > 0.0 for _, sigma_mm2 in found["growth_uncertainty_mm2"])
    assert found["narrowest_resist_mm"] == pytest.approx(0.3, abs=0.01)
    assert found["undercut_mm"] == pytest.approx(0.2)
    (line,) = found["lost_lines"]
    assert line["width_mm"] == pytest.approx(0.3, abs=0.01)
    assert line["x_mm"] == pytest.approx(4.15, abs=0.05)
    assert 2.0 < line["y_mm"] < 8.0
    assert found["open_fields"] == 3
    with Image.open(preview) as picture:
        assert picture.format == "PNG"
        assert picture.width > 600


def test_no_depth_no_loss(artwork: Path) -> None:
    found = json_of(artwork)
    assert found["lost_lines"] == []
    assert found["undercut_mm"] is None
    assert found["narrowest_resist_mm"] == pytest.approx(0.3, abs=0.01)


def test_given_scale(artwork: Path) -> None:
    plain, by_dpi, by_width = (
        json_of(artwork),
        json_of(artwork, "--dpi", 300),
        json_of(artwork, "--width-mm", 5),
    )
    assert by_dpi["area_mm2"] == pytest.approx(4.0 * plain["area_mm2"], rel=1e-4)
    assert by_dpi["width_mm"] == pytest.approx(2.0 * plain["width_mm"])
    assert by_width["width_mm"] == pytest.approx(5.0, rel=1e-3)
    assert by_width["area_mm2"] == pytest.approx(
        plain["area_mm2"] * (5.0 / plain["width_mm"]) ** 2, rel=3e-3
    )


def test_inverted_artwork(artwork: Path) -> None:
    plain, inverted = json_of(artwork), json_of(artwork, "--invert")
    assert inverted["area_mm2"] + plain["area_mm2"] == pytest.approx(
        plain["width_mm"] * plain["height_mm"], rel=1e-3
    )
    assert inverted["inverted"] is True


def test_reach_of_growth(artwork: Path) -> None:
    assert json_of(artwork, "--max-undercut-mm", 2)["growth_mm2"][-1][0] >= 2.0
    assert json_of(artwork, "--depth-mm", 1.2, "--etch-factor", 0.8)["growth_mm2"][-1][0] >= 1.5


def test_plate_margin_and_copies(artwork: Path) -> None:
    plain = json_of(artwork)
    assert json_of(artwork, "--copies", 3)["area_mm2"] == pytest.approx(3.0 * plain["area_mm2"])
    cut = json_of(artwork, "--margin-mm", 2.5)
    middle = box(2.5, 2.5, plain["width_mm"] - 2.5, plain["height_mm"] - 2.5)
    assert cut["area_mm2"] == pytest.approx(SHAPE.intersection(middle).area, rel=2e-3)
    outline = json_of(artwork, "--plate-width-mm", 4, "--plate-height-mm", 3)
    assert (outline["width_mm"], outline["height_mm"]) == pytest.approx((4.0, 3.0))


def test_pdf_and_svg(tmp_path: Path) -> None:
    pages, drawing = tmp_path / "pages.pdf", tmp_path / "disc.svg"
    pages.write_bytes(pdf(["5 5 10 10 re f", "5 5 20 10 re f"], 40, 30))
    drawing.write_bytes(svg('<circle cx="25" cy="15" r="5"/>'))
    assert json_of(pages)["area_mm2"] == pytest.approx(100.0, rel=1e-3)
    second = json_of(pages, "--page", 2)
    assert second["area_mm2"] == pytest.approx(200.0, rel=1e-3)
    assert (second["page"], second["width_mm"], second["height_mm"]) == (
        2,
        pytest.approx(40.0, rel=1e-3),
        pytest.approx(30.0, rel=1e-3),
    )
    assert json_of(drawing)["area_mm2"] == pytest.approx(math.pi * 25.0, rel=1e-3)


def test_lines_with_units(artwork: Path, tmp_path: Path) -> None:
    result = call(
        artwork, "--depth-mm", 0.24, "--etch-factor", 1.2, "--preview", tmp_path / "p.png"
    )
    assert result.exit_code == 0
    for expected in (
        "open area",
        "mm2)",
        "edges",
        "lost lines      1 under 0.400 mm",
        "0.300 mm at (4.1",
        "growth",
        "p.png",
    ):
        shorter = expected.replace("0.300", "0.30")
        assert expected in result.output or shorter in result.output, expected


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("--depth-mm", "0.2"), "depth_mm"),
        (("--dpi", "600", "--width-mm", "5"), "dpi"),
        (("--dpi", "5"), "dpi"),
        (("--width-mm", "nan"), "width_mm"),
        (("--page", "2"), "page"),
        (("--page", "0"), "page"),
        (("--margin-mm", "6"), "margin_mm"),
        (("--plate-width-mm", "6"), "plate_width_mm"),
        (("--max-undercut-mm", "4"), "max_undercut_mm"),
        (("--depth-mm", "4", "--etch-factor", "1"), "depth_mm"),
        (("--copies", "0"), "copies"),
    ],
)
def test_refusal_names_option(artwork: Path, arguments: tuple[str, ...], field: str) -> None:
    assert COMMAND.refused_field(artwork, *arguments) == field


@pytest.mark.parametrize(
    ("preview", "key"),
    [
        ("picture.jpg", "command_line.measure.preview_no_png"),
        ("no-such-place/p.png", "command_line.measure.preview_no_place"),
    ],
)
def test_bad_preview(artwork: Path, preview: str, key: str) -> None:
    assert COMMAND.refused_key(artwork, "--preview", preview) == key


WHITE = Image.fromarray(np.full((50, 50), 255, np.uint8))
BAD_FILES = {
    "no-scale.png": (file_bytes(grey_image(SHAPE, 600), "PNG", None), "dpi"),
    "screen.png": (file_bytes(grey_image(SHAPE, 600), "PNG", 72), "dpi"),
    "cut.png": (file_bytes(grey_image(SHAPE, 600), "PNG", 600)[:-200], "file"),
    "anim.gif": (b"GIF89a" + b"\0" * 100, "file"),
    "empty.png": (b"", "file"),
    "white.png": (
        file_bytes(WHITE, "PNG", 600),
        "invert",
    ),
    "script.svg": (svg('<script>alert(1)</script><rect width="9" height="9"/>'), "file"),
    "handler.svg": (svg('<rect width="9" height="9" onclick="alert(1)"/>'), "file"),
    "far.svg": (
        svg('<image href="http://example.invalid/a.png" width="9" height="9"/>'),
        "file",
    ),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_bad_file(tmp_path: Path, name: str) -> None:
    content, field = BAD_FILES[name]
    (tmp_path / name).write_bytes(content)
    assert COMMAND.refused_field(tmp_path / name) == field


def test_missing_file(tmp_path: Path) -> None:
    assert "does not exist" in COMMAND.usage_error(tmp_path / "nowhere.png")


def test_what_evens_out(tmp_path: Path) -> None:
    """--even-out works out each remedy with the bath of the configuration; plain measure does not.

    Less current evens a plate out (Wagner, J. Electrochem. Soc. 98 (1951) 116), and so does a
    smaller evenness.
    """
    path = save(tmp_path / "a.png", SHAPE, 600)
    found = json_of(path, "--even-out", "0.8")["remedies"]
    ratio = {remedy["name"]: remedy["depth_ratio"] for remedy in found}
    assert 1.0 < ratio["half-the-current"] < ratio["as-planned"]
    flatter = json_of(path, "--even-out", "0.1")["remedies"][0]["depth_ratio"]
    assert 1.0 < flatter < ratio["as-planned"]
    assert json_of(path)["remedies"] == json_of(path)["places"] == []
    output = call(path, "--even-out", "0.8").output
    assert "a bare strip of 5 mm" in output
    assert "middle of the widest floor" in output
    assert "over the mean depth" not in call(path).output
