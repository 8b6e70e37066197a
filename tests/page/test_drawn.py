"""What the page draws, read from its attributes and held against the numbers of the API."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.kits.page.browser import DESK, PHONE, Visit, chromium, visit
from tests.kits.page.daemon import PLATE, PageBench, page_bench
from tests.kits.page.half_open import way_to

RULE_ROUNDING = 0.011
"""Places on the rule are given in hundredths of a percent."""

NOTE_ANSWERS = """
() => {
  window.answers = [];
  const [box, text] = ["answer", "answer-text"].map((id) => document.getElementById(id));
  new MutationObserver(() => answers.push(`${box.getAttribute("data-kind")} ${text.textContent}`))
    .observe(box, { attributes: true, childList: true, characterData: true, subtree: true });
}
"""

PX_ROUNDING = 0.11
"""Places in the section are given in tenths of a pixel; a length has two ends."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    with page_bench(tmp_path_factory.mktemp("bench"), speed=10.0) as bench:
        yield bench


@dataclass(frozen=True)
class Paused:
    """A paused run as the API has it."""

    bench: PageBench
    status: dict[str, Any]
    plan: dict[str, Any]


@pytest.fixture(scope="module")
def paused(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Paused]:
    with page_bench(tmp_path_factory.mktemp("paused"), speed=25.0) as bench:
        run_id = bench.start(gauge_stops_mm=[0.05, 0.188])
        bench.until("paused")
        status = bench.ask("GET", "/api/status")
        yield Paused(bench, status, bench.ask("GET", f"/api/runs/{run_id}")["plan"])


class Drawn:
    """The page that shows the paused run."""

    def __init__(self, visited: Visit, paused: Paused) -> None:
        self.status, self.plan = paused.status, paused.plan

        def stream(route: Route) -> None:
            body = f"retry: 20\ndata: {json.dumps(self.status)}\n\n"
            route.fulfill(content_type="text/event-stream", body=body)

        # The acid goes on while the run is paused: what is compared is one status of one moment.
        visited.context.route("**/api/events", stream)
        visited.context.route("**/api/status", lambda route: route.fulfill(json=self.status))
        self.page: Page = visited.go()
        expect(self.page.locator(".screen-now .section-metal")).to_have_attribute(
            "d", re.compile("Z")
        )

    def text(self, part: str, attribute: str, at: int = 0) -> str:
        found = self.page.locator(f".screen-now .{part}").nth(at).get_attribute(attribute)
        assert found is not None
        return found

    def percent(self, part: str, attribute: str, at: int = 0) -> float:
        return float(self.text(part, attribute, at).removesuffix("%"))

    def px(self, part: str, attribute: str) -> float:
        return float(self.text(part, attribute))


@pytest.fixture(scope="module", params=[PHONE, DESK], ids=["phone", "desk"])
def drawn(request: pytest.FixtureRequest, browser: Browser, paused: Paused) -> Iterator[Drawn]:
    with visit(browser, paused.bench, request.param) as visited:
        yield Drawn(visited, paused)


def test_depth_bar(drawn: Drawn) -> None:
    """Bar, interval, target and gauge stops lie where the status and the plan put them."""
    status = drawn.status
    best, low, high = (status[f"depth_{of}mm"] for of in ("", "low_", "high_"))
    assert 0 < low < best < high < status["target_depth_mm"], "five different numbers"
    scale = 100 / (1.06 * status["target_depth_mm"])
    assert drawn.percent("rule-done", "width") == pytest.approx(best * scale, abs=RULE_ROUNDING)
    assert drawn.percent("rule-likely", "x") == pytest.approx(low * scale, abs=RULE_ROUNDING)
    width = drawn.percent("rule-likely", "width")
    assert width == pytest.approx((high - low) * scale, abs=RULE_ROUNDING)
    target = drawn.percent("rule-target", "x")
    assert target == pytest.approx(status["target_depth_mm"] * scale, abs=RULE_ROUNDING)
    for at, stop in enumerate((0.05, 0.188)):
        assert drawn.percent("rule-stop", "x", at) == pytest.approx(stop * scale, abs=RULE_ROUNDING)


def test_section_depths(drawn: Drawn) -> None:
    """Floor, target and interval of the section lie at their depths below the surface."""
    surface, px_per_mm = section_scale(drawn)
    status = drawn.status
    for part, depth_mm in (("floor", status["depth_mm"]), ("target", status["target_depth_mm"])):
        for end in ("y1", "y2"):
            y = drawn.px(f"section-{part}", end)
            assert y - surface == pytest.approx(depth_mm * px_per_mm, abs=PX_ROUNDING)
    top = drawn.px("section-likely", "y") - surface
    assert top == pytest.approx(status["depth_low_mm"] * px_per_mm, abs=PX_ROUNDING)
    span_mm = status["depth_high_mm"] - status["depth_low_mm"]
    assert drawn.px("section-likely", "height") == pytest.approx(
        span_mm * px_per_mm, abs=PX_ROUNDING
    )


def section_scale(drawn: Drawn) -> tuple[float, float]:
    """Return the surface in px and px per mm, from the two faces of the sheet as drawn."""
    faces = re.search(r"^M0 ([\d.]+).*V([\d.]+)H0Z$", drawn.text("section-metal", "d"))
    assert faces is not None
    surface, back = map(float, faces.groups())
    return surface, (back - surface) / PLATE["thickness_mm"]


def test_section_undercut(drawn: Drawn) -> None:
    """Under the resist the front is a quarter ellipse, depth over etch factor wide."""
    _, px_per_mm = section_scale(drawn)
    arcs = re.findall(r"A([\d.]+) ([\d.]+) ", drawn.text("section-metal", "d"))
    assert len(arcs) == 2
    deep = drawn.status["depth_mm"] * px_per_mm
    for width, height in arcs:
        assert float(height) == pytest.approx(deep, abs=PX_ROUNDING)
        assert float(width) == pytest.approx(deep / drawn.plan["etch_factor"], abs=PX_ROUNDING)


def test_section_opening(drawn: Drawn) -> None:
    """The opening is twice the area over the edge length wide where there is room, else broken."""
    _, px_per_mm = section_scale(drawn)
    width = drawn.px("section-floor", "x2") - drawn.px("section-floor", "x1")
    opening_mm = 2 * PLATE["area_mm2"] / PLATE["edge_mm"]
    if drawn.text("section-break-open", "d") == "":
        assert width == pytest.approx(opening_mm * px_per_mm, abs=PX_ROUNDING)
    else:
        assert width < opening_mm * px_per_mm


def test_scale_bar(drawn: Drawn) -> None:
    """The scale bar is as long as its label says, by the scale of the sheet beside it."""
    _, px_per_mm = section_scale(drawn)
    length = re.search(r"h([\d.]+)m", drawn.text("section-bar", "d"))
    assert length is not None
    label = drawn.page.locator(".screen-now .section-bar-text").text_content()
    assert label is not None
    mm = float(label.removesuffix(" mm"))
    assert float(length[1]) == pytest.approx(mm * px_per_mm, rel=0.002, abs=PX_ROUNDING)


def test_half_open_stream(browser: Browser, bench: PageBench) -> None:
    """A stream that dies without a word is opened again, and the numbers go on."""
    with way_to(bench.address) as way, visit(browser, bench) as visited:
        page = visited.page
        page.goto(way.address)
        page.wait_for_selector('body[data-fresh="yes"]')
        bench.start()
        visited.state("running")
        asked = len(way.streams)
        way.hush()
        page.wait_for_selector('body[data-fresh="no"]')
        before = float(page.locator(".depth-number").inner_text())
        page.wait_for_selector('body[data-fresh="yes"]')
        page.wait_for_function(
            "(mm) => Number(document.querySelector('.depth-number').textContent) > mm", arg=before
        )
        assert len(way.streams) > asked


def test_refused_stop(browser: Browser, bench: PageBench) -> None:
    """A refused Stop is never shown as done, whatever its body says, and is tried again."""
    refusals = [409, 500]
    answer_body = {"relay_on": False, "message": "The relay is off.", "detail": "The relay is off."}

    def refuse(route: Route) -> None:
        if refusals:
            route.fulfill(status=refusals.pop(), json=answer_body)
        else:
            route.continue_()

    with visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("running")
        visited.context.route("**/api/stop?*", refuse)
        page.evaluate(NOTE_ANSWERS)
        page.get_by_role("button", name="Stop").click()
        answer = page.locator("#answer")
        expect(answer).to_have_attribute("data-kind", "good")
        expect(answer).to_contain_text("The relay is off.")
        kinds = [kind for kind, _ in itertools.groupby(page.evaluate("answers"))]
        assert kinds == [
            "busy Stopping\u2026",
            "bad Stop did not reach the controller. Hit the emergency stop in the supply. "
            "Trying again (1).",
            "bad Stop did not reach the controller. Hit the emergency stop in the supply. "
            "Trying again (2).",
            "good The relay is off. Stop was pressed.",
        ]
        visited.state("stopped")
