"""Questions and alarms: a trip, lost contact, a bad first look, a welded relay."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Route, expect

from tests.kits.page.browser import DESK, PHONE, chromium, visit
from tests.kits.page.daemon import page_bench

COUNT_TONES = """
window.tones = 0;
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (when) {
  window.tones += 1;
  return start.call(this, when);
};
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_trip_fills_the_screen(browser: Browser, tmp_path: Path, size: tuple[int, int]) -> None:
    with (
        page_bench(tmp_path, faults=("short_circuit@35",)) as bench,
        visit(browser, bench, size) as visited,
    ):
        visited.page.add_init_script(COUNT_TONES)
        page = visited.go()
        page.get_by_role("button", name="Sound on").focus()
        page.keyboard.press("Tab")
        bench.start()
        visited.state("tripped")
        trip = page.get_by_role("alertdialog", name="Short circuit")
        expect(trip.get_by_role("heading", name="Short circuit")).to_be_focused()
        expect(trip).to_contain_text("Current flows at almost no voltage: ")
        expect(trip.locator(".trip-figures")).to_contain_text("0.35\u00a0V")
        expect(trip).to_contain_text("Look for touching clips or a metal bridge")
        expect(page.locator("#assertive")).to_contain_text("Tripped. Short circuit.")
        box = trip.bounding_box()
        assert box is not None
        assert box["height"] == size[1], "from top to bottom"
        below = "() => [...document.querySelectorAll('header, #screens, #prompt')]"
        below += ".every((part) => part.inert)"
        assert page.evaluate(below), "what lies below takes no part"
        expect(page.get_by_role("button", name="Stop")).to_be_enabled()
        page.wait_for_function("() => tones >= 4")
        assert not visited.axe()
        visited.picture("readme-trip-phone" if size == PHONE else "trip-desk")
        trip.get_by_role("button", name="Acknowledge").click()
        visited.state("paused")
        expect(trip).to_be_hidden()
        expect(page.locator("#assertive")).to_have_text("")
        assert not page.evaluate(below)
        visited.assert_sound()


def test_lost_contact_is_a_question(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path, faults=("lead_off@30",)) as bench, visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("paused")
        question = page.get_by_label("Question from the rig")
        expect(question.get_by_role("heading", name="Contact lost")).to_be_visible()
        expect(question).to_contain_text("Is the plate in the bath")
        question.get_by_role("button", name="Carry on").click()
        bench.until("running")
        visited.assert_sound()


def test_bad_first_look_pauses(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        page.get_by_role("heading", name="First look").wait_for()
        page.get_by_role("button", name="No: pause").click()
        visited.state("paused")
        expect(page.get_by_text("Are the clips swapped at the cell?").first).to_be_visible()
        visited.assert_sound()


def test_welded_relay(browser: Browser, tmp_path: Path) -> None:
    with (
        page_bench(tmp_path, faults=("relay_welded@1",)) as bench,
        visit(browser, bench) as visited,
    ):
        visited.expect_refusal("Conflict")  # the acknowledgement
        page = visited.go()
        bench.start()
        visited.state("running")
        page.get_by_role("button", name="Stop").click()
        trip = page.get_by_role("alertdialog", name="The relay is welded")
        expect(trip.get_by_text("PULL THE PLUG", exact=True)).to_be_visible()
        expect(page.locator("#answer")).to_be_visible()
        held: list[Route] = []
        page.route("**/api/acknowledge?*", lambda route: held.append(route))
        with page.expect_request("**/api/acknowledge?*"):
            trip.get_by_role("button", name="Acknowledge").click()
        expect(
            page.locator("#answer")
        ).to_be_hidden()  # an answer that comes late has a box of its own size
        held[0].continue_()
        expect(page.locator("#answer-text")).to_contain_text("Pull the supply's plug first")
        expect(trip).to_be_visible()
        visited.assert_sound()


def test_failed_stop_stays_shown(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("running")
        refusal = {
            "relay_on": True,
            "state": "running",
            "loop_alive": True,
            "message": "The output still reads on: pull the plug.",
        }
        page.route("**/api/stop?*", lambda route: route.fulfill(json=refusal))
        page.get_by_role("button", name="Stop", exact=True).click()
        expect(page.locator("#answer-text")).to_have_text(refusal["message"])
        page.get_by_role("button", name="Pause", exact=True).click()
        visited.state("paused")
        assert page.locator("#answer").is_visible()
        visited.assert_sound()


def test_muted_is_silent(browser: Browser, tmp_path: Path) -> None:
    with (
        page_bench(tmp_path, faults=("short_circuit@35",)) as bench,
        visit(browser, bench) as visited,
    ):
        visited.page.add_init_script(COUNT_TONES)
        page = visited.go()
        page.get_by_role("button", name="Sound on").click()
        expect(page.get_by_role("button", name="Sound off")).to_have_attribute(
            "aria-pressed", "false"
        )
        bench.start()
        visited.state("tripped")
        page.get_by_role("button", name="Acknowledge").click()
        visited.state("paused")
        assert page.evaluate("tones") == 0
        page.reload()
        expect(page.get_by_role("button", name="Sound off")).to_be_visible()
