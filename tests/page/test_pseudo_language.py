"""Every visible text comes from the catalogue, shown by an invented language.

The page gets the catalogue with each text in ⟦brackets⟧. What is seen outside of brackets must be
a number with its unit, a name that people typed, or a text that the API has rendered.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from api.http.page_files import (
    INDEX,
    PAGE_DIRECTORY,
    TEXTS_MODULE,
    page_texts,
    texts_module,
    with_texts,
)
from tests.kits.page.browser import PHONE, chromium, visit
from tests.kits.page.daemon import PageBench, page_bench
from tests.kits.page.modules import pseudo

RENDERED = {
    "message", "detail", "warnings", "text", "note", "name", "not_proven", "host_notes",
    "sensor_message", "logbook_message", "notice", "lost_note", "title", "limit", "what",
    "advice", "reason_title", "lesson",
}  # fmt: skip
"""Fields of the API whose texts the server has rendered: its own sentences, not the page's."""

TYPED = {"piece", "bath", "acid", "why"}
"""Fields that hold what a person typed."""

NAMES = {"metal", "run_id", "version", "addresses", "supply_mode", "settings"}
"""Fields whose values the page shows as they are: names, addresses, settings by their keys."""

UNITS = {"mm", "cm", "A", "V", "C", "L", "g", "s", "K", "dm", "mA", "dm²", "cm²", "mil"}

BRACKETED = re.compile(r"⟦[^⟦⟧]*⟧")
DATE = re.compile(r"\d{1,2} [A-Z][a-z]{2,3} \d{4}")
WORD = re.compile(r"[^\W\d_]+")

KEEP = """
window.sent = [];
const RealStream = EventSource;
window.EventSource = class extends RealStream {
  constructor(...given) {
    super(...given);
    this.addEventListener("message", (event) => sent.push(event.data));
  }
};
const realFetch = window.fetch;
window.fetch = async (...given) => {
  const answer = await realFetch(...given);
  answer.clone().text().then((body) => sent.push(body));
  return answer;
};
"""
"""Keep what the API sends, to know its texts."""

VISIBLE = """
() => {
  const found = [["title", document.title]];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const parent = walker.currentNode.parentElement;
    const shown = parent.closest("select") ?? parent;
    if (shown.closest("script, style, noscript, .names") || !shown.checkVisibility()) continue;
    found.push(["text", walker.currentNode.data]);
  }
  for (const element of document.body.querySelectorAll("*")) {
    if (!element.checkVisibility()) continue;
    for (const name of ["aria-label", "title", "placeholder", "alt", "data-word"]) {
      if (element.hasAttribute(name)) found.push([name, element.getAttribute(name)]);
    }
  }
  return found;
}
"""

PRINTED = "async (texts) => texts.map((await import('/js/base/numbers.js')).printed)"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    with page_bench(tmp_path_factory.mktemp("bench"), speed=40.0) as bench:
        yield bench


def strings(value: Any, field: str = "") -> Iterator[str]:
    """Yield the texts and names in an answer of the API."""
    if isinstance(value, dict):
        for name, it in value.items():
            yield from strings(it, "settings" if field == "settings" else name)
            if field == "settings":
                yield name
    elif isinstance(value, list):
        for it in value:
            yield from strings(it, field)
    elif isinstance(value, str) and field in RENDERED | TYPED | NAMES:
        yield value
        yield value.replace("-", " ")
        yield re.sub(r"^[a-z]+ -> [a-z]+\. ", "", value)


def api_texts(page: Page) -> list[str]:
    """Return what the API has sent, as the page prints it, the longest first."""
    found: set[str] = {page.url.partition("#")[0].rstrip("/")}
    for body in page.evaluate("window.sent"):
        try:
            found.update(strings(json.loads(body)))
        except ValueError:
            continue  # an image or a table
    known = sorted(it for it in found if it.strip())
    both = {*known, *page.evaluate(PRINTED, known)}
    return sorted((it.rstrip(".") for it in both), key=len, reverse=True)


def outside(shown: str) -> str:
    """Return what is outside of the brackets."""
    before = ""
    while before != shown:
        before, shown = shown, BRACKETED.sub(" ", shown)
    return shown


def foreign(page: Page) -> list[str]:
    """Return the visible texts that neither the catalogue nor the API explains."""
    explained = [
        re.compile(rf"(?<!\w){re.escape(it)}(?!\w)", re.IGNORECASE) for it in api_texts(page) if it
    ]
    found = []
    for kind, shown in page.evaluate(VISIBLE):
        rest = DATE.sub(" ", shown)
        for it in explained:
            if not WORD.search(outside(rest)):
                break
            rest = it.sub(" ", rest)
        rest = outside(rest)
        words = [word for word in WORD.findall(rest) if word not in UNITS]
        if words:
            found.append(f"{kind}: {shown.strip()}")
    return found


class Tour:
    """A visit to the page in the invented language."""

    def __init__(self, page: Page, bench: PageBench) -> None:
        self.page = page
        self.bench = bench
        self.seen: dict[str, list[str]] = {}
        texts = pseudo(page_texts())
        index = with_texts((PAGE_DIRECTORY / INDEX).read_text(encoding="utf-8"), texts)
        module = texts_module(texts)
        page.add_init_script(KEEP)
        page.route(bench.address, lambda route: serve(route, index, "text/html"))
        page.route(f"**/{TEXTS_MODULE}", lambda route: serve(route, module, "text/javascript"))

    def open(self, address: str) -> None:
        """Open a screen and wait until it is whole."""
        self.page.evaluate("(hash) => { location.hash = hash; }", address)
        expect(self.page.locator(f'body[data-screen="{address.split("/")[0]}"]')).to_have_count(1)
        self.page.wait_for_function(
            "() => !document.querySelector('[data-waiting]') && document.querySelector('h1')"
        )

    def look(self, name: str) -> None:
        """Note the foreign texts of what is seen now."""
        self.seen[name] = foreign(self.page)

    def state(self, state: str) -> None:
        self.page.wait_for_selector(f'body[data-state="{state}"]')


def serve(route: Route, body: str, content_type: str) -> None:
    route.fulfill(body=body, content_type=f"{content_type}; charset=utf-8")


DRAFT = {
    "piece": "Reed 7",
    "area_by": "typed",
    "area_cm2": "7.12",
    "edge_mm": "640",
    "thickness": "0.5",
    "current_a": "2.8",
}
"""A plan with a warning: the current is brisk and the sheet thin."""


def empty_screens(tour: Tour) -> None:
    """Every screen before the first run, and the dialogs."""
    for address in ("now", "prepare", "check", "begin", "gauge", "runs", "rig"):
        tour.open(address)
        tour.look(f"empty {address}")
    tour.open("prepare")
    tour.page.locator("select").nth(1).select_option(index=1)
    tour.page.locator("dialog[open]").wait_for()
    tour.look("new bath")
    tour.page.keyboard.press("Escape")
    tour.page.locator('input[type="text"]').nth(3).fill("many")
    tour.page.locator("button[data-kind=bad]").first.wait_for()
    tour.look("wrong number")


def planned_screens(tour: Tour) -> None:
    """Preparing, checking and starting with a plan."""
    keep = "(draft) => sessionStorage.setItem('biteclock-draft', JSON.stringify(draft))"
    tour.page.evaluate(keep, DRAFT)
    tour.page.reload()
    tour.page.wait_for_selector('body[data-fresh="yes"]')
    tour.open("prepare")
    tour.page.locator('[data-planned="yes"]').wait_for()
    tour.look("planned prepare")
    for address in ("check", "begin"):
        tour.open(address)
        tour.look(f"planned {address}")


def run_screens(tour: Tour) -> str:
    """A run with a first look, a gauge stop, readings and an end."""
    tour.open("now")
    run_id = tour.bench.start(piece="Reed 7", gauge_stops_mm=[0.04], depth_mm=0.05)
    tour.page.locator(".prompt").wait_for()
    tour.look("first look")
    tour.state("paused")
    tour.look("gauge stop")
    tour.open("gauge")
    tour.look("gauge")
    for spot in tour.page.locator(".spots input").all():
        spot.fill("0.9")
    tour.page.locator('.reading-form button[type="submit"]').click()
    tour.page.locator('.reading-form [role="group"].stack button').wait_for()
    tour.look("surprising reading")
    for spot in tour.page.locator(".spots input").all():
        spot.fill("0.04")
    tour.page.locator('.reading-form button[type="submit"]').click()
    tour.page.locator(".change table").wait_for()
    tour.page.locator(".reading-list li").first.wait_for()
    tour.look("changed")
    tour.bench.ask("POST", "/api/resume")
    tour.bench.until("finished")
    tour.state("finished")
    tour.open("now")
    tour.look("finished")
    return run_id


def past_screens(tour: Tour, run_id: str) -> None:
    """What is kept of runs."""
    tour.bench.ask("POST", "/api/acknowledge")
    other = tour.bench.start(piece="Reed 8", depth_mm=0.02)
    tour.bench.until("finished")
    for address in ("runs", f"run/{run_id}", f"compare/{run_id}/{other}", f"sheet/{run_id}"):
        tour.open(address)
        tour.page.evaluate("document.querySelectorAll('details').forEach((it) => (it.open = true))")
        tour.look(address.split("/")[0])
    tour.page.locator(".printed-line").first.wait_for()


def tripped_screen(tour: Tour) -> None:
    """A trip, by a status that the page receives in its place."""
    status = tour.bench.ask("GET", "/api/status")
    status |= {"state": "tripped", "reason": "over_current", "run_id": None, "relay_on": True}
    status |= {"message": "Too much for the plate", "depth_mm": 0.1}

    def stream(route: Route) -> None:
        serve(route, f"retry: 20\ndata: {json.dumps(status)}\n\n", "text/event-stream")

    tour.page.route("**/api/events", stream)
    tour.page.route("**/api/status", lambda route: route.fulfill(json=status))
    tour.page.reload()
    tour.state("tripped")
    tour.look("trip")
    status |= {"relay_welded": True}
    tour.page.reload()
    tour.page.locator(".plug").wait_for()
    tour.look("welded")


def silent_screen(tour: Tour) -> None:
    """Stop and the frame without a controller."""
    tour.page.unroute("**/api/events")
    tour.page.unroute("**/api/status")
    tour.page.context.set_offline(True)
    tour.page.locator("#stop").click()
    tour.page.locator('#answer[data-kind="bad"]').wait_for()
    tour.look("unreachable")


def test_every_text_is_in_the_catalogue(browser: Browser, bench: PageBench) -> None:
    """All screens, with and without a run, show nothing outside of brackets."""
    with visit(browser, bench, PHONE) as visited:
        tour = Tour(visited.page, bench)
        visited.go()
        empty_screens(tour)
        planned_screens(tour)
        past_screens(tour, run_screens(tour))
        tripped_screen(tour)
        silent_screen(tour)
        assert len(tour.seen) >= 24
        assert {name: texts for name, texts in tour.seen.items() if texts} == {}


def test_unpaired_phone(browser: Browser, bench: PageBench) -> None:
    """The Rig screen and the dialog of a phone that is not paired."""
    with visit(browser, bench, PHONE, is_paired=False) as visited:
        tour = Tour(visited.page, bench)
        visited.go()
        tour.open("rig")
        tour.look("rig")
        visited.page.locator(".rig > div:nth-child(3) button").click()
        visited.page.locator("dialog[open]").wait_for()
        tour.look("pairing")
        assert {name: texts for name, texts in tour.seen.items() if texts} == {}


def test_a_bare_text_is_found(browser: Browser, bench: PageBench) -> None:
    """The test above would see a text that is not in the catalogue."""
    with visit(browser, bench, PHONE) as visited:
        tour = Tour(visited.page, bench)
        visited.go()
        visited.page.evaluate("document.getElementById('pause').textContent = 'Wait a bit'")
        visited.page.evaluate("document.getElementById('stop').title = 'Off'")
        assert foreign(tour.page) == ["text: Wait a bit", "title: Off"]


def test_pseudo_language_keeps_values(tmp_path: Path) -> None:
    """Values keep their places, and every other letter may change."""
    assert pseudo({"a": "of {depth_mm} mm"}) == {"a": "⟦ôf {depth_mm} mm⟧"}
