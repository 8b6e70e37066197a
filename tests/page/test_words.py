"""What the page computes by itself, held against published values and against the controller."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from api.http.page_files import PAGE_DIRECTORY
from controller.messages import RunState
from tests.kits.page.browser import chromium
from tests.kits.page.modules import module_source


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    """A page that may import the modules, without a daemon."""
    with chromium() as browser:
        page = browser.new_page()
        page.route("http://page.test/**", _serve)
        page.goto("http://page.test/blank")
        yield page


def _serve(route: Any) -> None:
    source = module_source(route.request.url.removeprefix("http://page.test/"))
    if source is None:
        route.fulfill(body="<!doctype html><title>blank</title>", content_type="text/html")
    else:
        route.fulfill(body=source, content_type="text/javascript")


def call(page: Page, module: str, function: str, *arguments: Any) -> Any:
    """Return what a function of a module returns."""
    path = next((PAGE_DIRECTORY / "js").rglob(f"{module}.js")).relative_to(PAGE_DIRECTORY)
    return page.evaluate(
        "async ([path, name, values]) => (await import(path))[name](...values)",
        [f"/{path.as_posix()}", function, list(arguments)],
    )


@pytest.mark.parametrize(
    ("gauge", "inch"),
    # Diameters of AWG, that is Brown & Sharpe, sizes. Source: ASTM B258, table 1, from memory.
    [
        (-3, 0.4600),
        (0, 0.3249),
        (10, 0.1019),
        (16, 0.0508),
        (18, 0.0403),
        (20, 0.0320),
        (22, 0.0253),
        (24, 0.0201),
        (36, 0.0050),
    ],
)
def test_gauge_by_published_formula(page: Page, gauge: int, inch: float) -> None:
    mm = call(page, "thickness", "thicknessToMm", gauge, "gauge")
    assert mm == pytest.approx(inch * 25.4, abs=0.00005 * 25.4)
    assert call(page, "thickness", "mmToGauge", mm) == pytest.approx(gauge, abs=1e-6)


def test_mil_and_mm(page: Page) -> None:
    assert call(page, "thickness", "thicknessToMm", 40, "mil") == pytest.approx(
        1.016
    )  # an inch is 25.4 mm by definition
    assert call(page, "thickness", "thicknessFromMm", 1.016, "mil") == pytest.approx(40)
    assert call(page, "thickness", "thicknessToMm", 1.2, "mm") == 1.2
    assert call(page, "thickness", "thicknessToMm", 60, "gauge") is None
    assert call(page, "thickness", "thicknessToMm", None, "mm") is None


def test_states_have_words(page: Page) -> None:
    known = page.evaluate("async () => (await import('/js/base/words.js')).STATES")
    assert set(known) == set(RunState)


def test_cautions_in_order(page: Page) -> None:
    cautions = page.evaluate(
        "async () => (await import('/js/base/words.js')).CAUTIONS.map((pair) => pair.join(' '))"
    )
    keys = (
        "smell that fades is a danger sign",
        "Never leave the building",
        "Hydrogen rises there",
        "No chlorides",
        "Rinse at once",
        "Acid into water",
        "residual-current",
        "Oxidiser",
        "drain",
        "Ultraviolet",
    )
    assert len(cautions) == len(keys)
    for caution, key in zip(cautions, keys, strict=True):
        assert key in caution


PLATE = {
    "thicknessMm": 1.2,
    "filmMm": 0.045,
    "etchFactor": 1.25,
    "openingMm": 2.2,
    "targetMm": 0.25,
    "sides": 1,
}


def test_section_is_to_scale(page: Page) -> None:
    scale = call(page, "section_geometry", "scaleOf", PLATE, 208)
    px = scale["pxPerMm"]
    assert scale["back"] - scale["surface"] == pytest.approx(1.2 * px)
    opening = call(page, "section_geometry", "openingOf", PLATE, px, 900)
    assert opening["right"] - opening["left"] == pytest.approx(2.2 * px), (
        "the mean opening, as wide as the sheet is thick to scale"
    )
    path = call(page, "section_geometry", "metalPath", opening, scale, PLATE, 0.2)
    arcs = [part.split() for part in path.replace("H", " ").replace("V", " ").split("A")[1:]]
    # Under the resist the front is a quarter ellipse, depth / etch factor wide and depth high.
    for arc in arcs:
        assert float(arc[0]) == pytest.approx(0.2 / 1.25 * px, abs=0.06)
        assert float(arc[1]) == pytest.approx(0.2 * px, abs=0.06)
    assert len(arcs) == 2
    both = call(page, "section_geometry", "metalPath", opening, scale, {**PLATE, "sides": 2}, 0.2)
    assert both.count("A") == 4, "two sides are etched"


def test_wide_view_is_broken(page: Page) -> None:
    thick = call(page, "section_geometry", "scaleOf", {**PLATE, "thicknessMm": 12.0}, 208)
    assert thick["isSheetBroken"]
    assert thick["pxPerMm"] * 0.25 >= 23.9, "the wanted depth can still be seen"
    wide = call(page, "section_geometry", "openingOf", {**PLATE, "openingMm": 60.0}, 110, 360)
    assert wide["isOpeningBroken"]
    assert call(page, "section_geometry", "openingOf", {**PLATE, "openingMm": None}, 110, 360)[
        "isOpeningBroken"
    ]


def test_mean_opening(page: Page) -> None:
    # A long slot, 2 mm wide: area 2 L, edge 2 L, so 2 A / P = 2 mm.
    assert call(page, "section_geometry", "meanOpeningMm", 200.0, 200.0) == pytest.approx(2.0)
    assert call(page, "section_geometry", "meanOpeningMm", 200.0, 0) is None


def test_numbers_for_a_person(page: Page) -> None:
    assert call(page, "numbers", "fixed", 1918.2, 0) == "1918"
    assert call(page, "numbers", "fixed", 12918.2, 0) == "12\u202f918"
    assert call(page, "numbers", "fixed", -0.0001, 2) == "0.00"
    assert call(page, "numbers", "fixed", None, 2) == "\u2013", "what is not known is no 0"
    assert call(page, "numbers", "clockwork", 597) == "9:57"
    assert call(page, "numbers", "clockwork", 7205) == "2:00:05"
    assert call(page, "numbers", "numberIn", " 0,25 ") == 0.25
    assert call(page, "numbers", "numberIn", "two") is None
    assert call(page, "numbers", "numberIn", "") is None
    assert (
        call(page, "numbers", "printed", "39 A/dm2 on 3 cm2, 191 mm3, 21 degC")
        == "39 A/dm\u00b2 on 3 cm\u00b2, 191 mm\u00b3, 21 \u00b0C"
    )


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("current_a is -3 A: correct it", "the current is -3 A: correct it"),
        ("pieces is 1.5", "the number of copies is 1.5"),
        (
            "two pieces of rig.max_current_a, max_current_a",
            "two pieces of rig.max_current_a, max_current_a",
        ),
    ],
)
def test_fields_have_names(page: Page, sent: str, shown: str) -> None:
    assert call(page, "numbers", "printed", sent) == shown


def test_draft_and_request(page: Page) -> None:
    stored: dict[str, Any] = {
        "metal": "fine-silver",
        "piece": "Reed panel",
        "area_mm2": 712.0,
        "edge_mm": 640.0,
        "depth_mm": 0.25,
        "charge_coulombs": None,
        "current_a": None,
        "density_a_per_dm2": 15.0,
        "thickness_mm": 1.024,
        "sheet_mm2": 1500.0,
        "pieces": 2,
        "sides": 1,
        "other_bare_mm2": 30.0,
        "supply_mode": "constant-voltage",
        "growth_mm2": None,
        "artwork": None,
        "film_mm": 0.045,
        "bath": None,
        "stop_policy": "never-deeper",
        "gauge_stops_mm": [0.188],
        "expected_voltage_v": 2.4,
    }
    draft = call(page, "draft", "draftOf", stored)
    again = call(page, "draft", "requestOf", draft, None)
    assert again["missing"] == {}
    for name, value in again["request"].items():
        assert value == stored[name] or math.isclose(value, stored[name]), name
    assert {"density_a_per_dm2", "sheet_mm2", "other_bare_mm2", "gauge_stops_mm"} <= set(
        again["request"]
    )
    assert "current_a" not in again["request"]
    spoilt = call(page, "draft", "requestOf", {**draft, "thickness": "thin", "area_cm2": ""}, None)
    assert spoilt["missing"] == {
        "thickness_mm": "Not a number: type digits, like 0.25.",
        "area_mm2": "Needed.",
    }


def test_events_show_warnings(page: Page) -> None:
    """Only a warning is marked: the other kinds explain themselves."""

    def text(kind: str, words: str, on_time_s: float = 0.0) -> Any:
        event = {"kind": kind, "text": words, "on_time_s": on_time_s}
        return call(page, "event_list", "eventText", event)

    assert text("warning", "The resistance has risen.") == "Warning: The resistance has risen."
    assert text("command", "Pause.", 61.0) == "Pause. (after 1:01)"
    assert text("state", "running -> paused. Lift the plate.") == "Paused. Lift the plate."
    for kind in ("check", "note"):
        assert text(kind, "A line.") == "A line."
