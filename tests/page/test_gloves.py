"""A person with wet gloves: double taps, the way back, strange names and numbers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.kits.page.browser import DESK, PHONE, Visit, chromium, visit
from tests.kits.page.daemon import PageBench, page_bench

STRANGE = (
    "<script>alert(1)</script> \U0001f33f & \u201cGr\u00fc\u00dfe\u201d "
    + "endlesslylongnamewithoutaspace" * 2
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    with page_bench(tmp_path_factory.mktemp("bench"), speed=10.0) as bench:
        yield bench


@pytest.fixture
def bench(served: PageBench) -> PageBench:
    """Clear what the test before left."""
    served.ask("POST", "/api/stop")
    if served.ask("GET", "/api/status")["state"] != "idle":
        served.ask("POST", "/api/acknowledge")
    return served


SECOND_TAP = """
(button) => {
  const box = button.getBoundingClientRect();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  window.hit = null;
  new MutationObserver((_, observer) => {
    const element = document.elementFromPoint(x, y);
    if (element === null || element === button) return;
    observer.disconnect();
    window.hit = element.textContent;
    element.click();
  }).observe(document.getElementById("prompt"), { childList: true, subtree: true });
}
"""
"""A second tap in the place of a button, as soon as something else is there."""


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_stop_beside_a_dialog(browser: Browser, tmp_path: Path, size: tuple[int, int]) -> None:
    with page_bench(tmp_path, speed=10.0) as bench:
        bench.start()
        bench.until("running")
        with visit(browser, bench, size, is_paired=False) as visited:
            page = visited.go()
            visited.state("running")
            visited.expect_refusal("Unauthorized")
            page.get_by_role("button", name="Pause", exact=True).click()
            expect(page.get_by_role("dialog", name="Pair this phone")).to_be_visible()
            assert visited.axe() == []
            page.get_by_role("button", name="Stop", exact=True).click()
            visited.state("stopped")
            expect(page.get_by_role("dialog", name="Pair this phone")).to_be_visible()
            page.keyboard.press("Escape")
            expect(page.get_by_role("dialog")).to_have_count(0)


def test_second_tap_hits_nothing(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        bench.until("running")
        bench.ask("POST", "/api/pause")
        question = page.get_by_label("Question from the rig")
        lifted = question.get_by_role("button", name="Lifted and rinsed")
        lifted.wait_for()
        lifted.evaluate(SECOND_TAP)
        lifted.click()
        expect(question).to_contain_text("The plate is out and rinsed.")
        assert page.evaluate("hit") == "Back in the bath", "this button lies there now"
        page.get_by_role("button", name="Carry on").click(
            trial=True
        )  # waits until it can be tapped
        assert bench.ask("GET", "/api/status")["in_bath_without_current"] is False
        visited.assert_sound()


def nothing_to_answer_for(page: Page) -> None:
    expect(page.locator("#answer")).to_be_hidden()


def test_double_tap(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("running")
        page.get_by_role("button", name="Pause", exact=True).dblclick()
        visited.state("paused")
        page.get_by_role("button", name="Lifted and rinsed").dblclick()
        question = page.get_by_label("Question from the rig")
        expect(question).to_contain_text("The plate is out and rinsed.")
        assert "#gauge" not in page.url, (
            "the second tap does not hit the link that came in the place of the button"
        )
        question.get_by_role("button", name="Back in the bath").dblclick()
        expect(question).to_contain_text("The plate is in the bath")
        assert bench.ask("GET", "/api/status")["state"] == "paused", (
            "the second tap does not hit Carry on"
        )
        question.get_by_role("button", name="Carry on").dblclick()
        visited.state("running")
        nothing_to_answer_for(page)
        page.get_by_role("button", name="Stop").dblclick()
        expect(page.locator("#answer-text")).to_contain_text("The relay is off.")
        visited.assert_sound()


def test_double_reading_counts_once(browser: Browser, bench: PageBench) -> None:
    run = bench.start()
    bench.until("running")
    bench.ask("POST", "/api/stop")
    with visit(browser, bench) as visited:
        page = visited.go("gauge")
        held: list[Route] = []
        visited.context.route(
            "**/readings",
            lambda route: (
                held.append(route) if route.request.method == "POST" else route.continue_()
            ),
        )
        page.get_by_label("Spot 1, mm").fill("0,002")
        take = page.get_by_role("button", name="Keep this reading")
        with page.expect_request(lambda request: request.method == "POST"):
            take.dblclick()
        take.click()
        assert len(held) == 1
        held[0].continue_()
        expect(
            page.locator(
                ".screen-gauge .reading-list li,"
                " .screen-gauge [aria-label='A surprising reading'] button"
            )
        ).to_have_count(1)
        assert len(bench.ask("GET", f"/api/runs/{run}/readings")["readings"]) <= 1


def test_surprising_reading_set_apart(browser: Browser, bench: PageBench) -> None:
    """A wet glove hits one of the two buttons: 8 px lie between them. No source."""
    bench.start()
    bench.until("running")
    bench.ask("POST", "/api/stop")
    with visit(browser, bench) as visited:
        visited.expect_refusal("Conflict")
        page = visited.go("gauge")
        page.get_by_label("Spot 1, mm").fill("0.9")
        keep = page.get_by_role("button", name="Keep this reading")
        keep.click()
        confirm = page.get_by_role("button", name="It is right: keep it")
        expect(confirm).to_be_visible()
        above, below = confirm.bounding_box(), keep.bounding_box()
        assert above is not None
        assert below is not None
        assert below["y"] - (above["y"] + above["height"]) >= 8
        visited.assert_sound()


def test_strange_names(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go("prepare")
        page.get_by_label("Name of the piece").fill(STRANGE)
        kept = page.get_by_label("Name of the piece").input_value()
        page.reload()
        expect(page.get_by_label("Name of the piece")).to_have_value(kept)
        run = bench.start(piece=STRANGE[:80].strip())
        bench.until("running")
        bench.ask("POST", "/api/stop")
        for screen in ("now", "runs", f"run/{run}", f"sheet/{run}", "gauge"):
            page.goto(f"{bench.address}#{screen}")
            page.wait_for_selector('body[data-fresh="yes"]')
            expect(page.locator("[data-waiting]")).to_have_count(0)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (
                f"{screen} scrolls sideways"
            )
        expect(page.locator("script:not([src])")).to_have_count(0)
        visited.assert_sound()


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("-3", "The current is -3 A. It must be at least 0.001 A"),
        ("999999999999", "It must be at most 1000 A"),
        ("0", "The current is 0 A"),
        ("0x10", "Not a number: type digits, like 0.25."),
        ("1e3", "Not a number: type digits, like 0.25."),
        ("2,8,1", "Not a number: type digits, like 0.25."),
    ],
)
def test_absurd_numbers_are_marked(
    browser: Browser, bench: PageBench, text: str, shown: str
) -> None:
    with visit(browser, bench) as visited:
        visited.expect_refusal("Unprocessable Content")
        visited.expect_refusal("Unprocessable Entity")
        page = fill_typed(visited)
        current = page.get_by_label("Current in A")
        current.fill("2,8")
        follow = page.get_by_role("link", name="Next: check the rig")
        expect(follow).not_to_have_attribute("aria-disabled", "true")
        expect(page.get_by_role("region", name="The plan")).to_contain_text("2.80\u00a0A")
        current.fill(text)
        expect(current).to_have_attribute("aria-invalid", "true")
        expect(
            page.locator(".field", has=current).locator("button[data-kind=bad]")
        ).to_contain_text(shown)
        follow.click(force=True)  # it is marked as disabled, and leads to what is wrong
        expect(current).to_be_focused()
        assert "#check" not in page.url
        current.fill("2.8")
        expect(current).not_to_have_attribute("aria-invalid", "true")
        visited.assert_sound()


def fill_typed(visited: Visit) -> Page:
    page = visited.go("prepare")
    page.get_by_text("Type it in").click()
    page.get_by_label("Open area in cm\u00b2").fill("7,12")
    page.get_by_label("Sheet thickness").fill("1,2")
    return page


def test_way_back_keeps_fields(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = fill_typed(visited)
        page.get_by_label("Current in A").fill("2,8")
        expect(page.get_by_role("link", name="Next: check the rig")).not_to_have_attribute(
            "aria-disabled", "true"
        )
        page.get_by_role("link", name="Next: check the rig").click()
        page.get_by_role("link", name="Next: cautions and Start").click()
        expect(page.get_by_role("heading", name="Cautions and Start")).to_be_focused()
        page.go_back()
        expect(page.get_by_role("heading", name="Rig check")).to_be_focused()
        page.go_back()
        expect(page.get_by_label("Open area in cm\u00b2")).to_have_value("7,12")
        for screen in ("Rig", "Prepare"):
            page.get_by_role("navigation").get_by_role("link", name=screen).click()
        page.get_by_label("Bath", exact=True).select_option(label="Make up a new bath\u2026")
        expect(page.get_by_role("dialog", name="New bath")).to_be_visible()
        page.go_back()
        expect(page.get_by_role("heading", name="Rig", exact=True)).to_be_visible()
        expect(page.get_by_role("dialog")).to_have_count(0)
        page.go_forward()
        page.reload()
        expect(page.get_by_label("Open area in cm\u00b2")).to_have_value("7,12")
        visited.assert_sound()


@pytest.mark.parametrize(
    "address",
    ["%E0%A4%A", "constructor", "toString/1", "run", "run/nothing", "compare/a", "sheet/%00"],
)
def test_spoilt_address(browser: Browser, bench: PageBench, address: str) -> None:
    with visit(browser, bench) as visited:
        for phrase in ("Not Found", "Unprocessable Content", "Unprocessable Entity"):
            visited.expect_refusal(phrase)
        page = visited.go(address)
        expect(page.locator(".screen:visible")).to_have_count(1)
        page.get_by_role("navigation").get_by_role("link", name="Rig").click()
        expect(page.get_by_role("heading", name="Rig", exact=True)).to_be_focused()
        visited.assert_sound()


def test_revoked_phone_needs_the_pin(browser: Browser, bench: PageBench) -> None:
    pin = str(bench.ask("GET", "/api/pairing")["pin"])
    with visit(browser, bench, is_paired=False) as visited:
        visited.expect_refusal("Unauthorized")
        visited.expect_refusal("Forbidden")
        page = visited.go(f"pin={pin}")
        dialog = page.get_by_role("dialog", name="Pair this phone")
        dialog.get_by_label("Name of this phone").fill("old phone")
        dialog.get_by_role("button", name="Pair").click()
        expect(dialog).to_be_hidden()
        bench.start()
        visited.state("running")
        known: list[dict[str, Any]] = bench.ask("GET", "/api/pairings")["pairings"]
        (own,) = (pairing for pairing in known if pairing["name"] == "old phone")
        bench.ask("POST", f"/api/pairings/{own['pairing_id']}/revoke")
        page.get_by_role("button", name="Pause", exact=True).click()
        dialog.get_by_role("button", name="Just look").click()
        expect(page.locator("#answer-text")).to_contain_text("Not paired")
        assert bench.ask("GET", "/api/status")["state"] == "running"
        page.get_by_role("button", name="Pause", exact=True).click()
        dialog.get_by_label("PIN").fill(pin)  # the revocation ended it
        dialog.get_by_role("button", name="Pair").click()
        expect(dialog.get_by_role("alert")).to_contain_text("PIN is wrong")
        bench.ask("POST", "/api/pairing/new")
        new_pin = str(bench.ask("GET", "/api/pairing")["pin"])
        dialog.get_by_label("PIN").fill(f"{new_pin[:3]} {new_pin[3:]}")
        dialog.get_by_role("button", name="Pair").click()
        visited.state("paused")
        visited.assert_sound()


def test_restarted_daemon_is_found(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path, speed=10.0) as first, visit(browser, first) as visited:
        visited.expect_refusal("net::ERR_CONNECTION_REFUSED")
        visited.complaints.clear()
        page = visited.go()
        first.start()
        visited.state("running")
        page.wait_for_function(
            "() => Number(document.querySelector('.depth-number').textContent) > 0.004"
        )
        first.kill()
        page.wait_for_selector('body[data-fresh="no"]')
        with page_bench(tmp_path, speed=10.0, port=urlsplit(first.address).port or 0) as second:
            visited.state("interrupted")
            page.wait_for_selector('body[data-fresh="yes"]')
            question = page.get_by_label("Question from the rig")
            expect(question.get_by_role("heading", name="Interrupted")).to_be_visible()
            assert second.ask("GET", "/api/status")["relay_on"] is False
            page.get_by_role("button", name="Stop").click()
            visited.state("stopped")
            assert page.evaluate("flaws.shift") == 0, page.evaluate("flaws.shifts")
