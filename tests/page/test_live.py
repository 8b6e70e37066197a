"""The live status: a cut stream, a frozen daemon, several phones, a hidden page, Stop in each."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.kits.page.browser import Visit, chromium, visit
from tests.kits.page.daemon import PageBench, page_bench

OLD = re.compile(r"last heard \d+ s ago")


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


def depth(page: Page) -> float:
    return float(page.locator(".depth-number").inner_text())


def deeper_than(page: Page, mm: float) -> None:
    page.wait_for_function(
        "(mm) => Number(document.querySelector('.depth-number').textContent) > mm", arg=mm
    )


def colour(page: Page) -> str:
    return str(page.locator(".depth-number").evaluate("element => getComputedStyle(element).color"))


def running(visited: Visit, bench: PageBench) -> Page:
    page = visited.go()
    bench.start()
    visited.state("running")
    return page


def test_old_numbers_look_old(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = running(visited, bench)
        expect(page.locator("#heard")).to_have_text("live")
        live = colour(page)
        with bench.frozen():
            page.wait_for_selector('body[data-fresh="no"]')
            expect(page.locator("#heard")).to_have_text(OLD)
            assert colour(page) != live, "old numbers are grey"
            assert page.title().startswith("no word since")
            expect(page.locator("#polite")).to_contain_text(
                "The numbers shown are old", timeout=15_000
            )
            before = depth(page)
        page.wait_for_selector('body[data-fresh="yes"]')
        deeper_than(page, before)
        assert colour(page) == live
        assert visited.page.evaluate("() => flaws.shifts") == []


def test_phone_back_on_the_network(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = running(visited, bench)
        streams = "() => performance.getEntriesByType('resource')"
        streams += ".filter((entry) => entry.name.endsWith('/api/events')).length"
        visited.context.set_offline(True)
        page.evaluate(
            "window.dispatchEvent(new Event('pageshow'))"
        )  # as a phone does on waking; the stream is opened again
        page.wait_for_selector('body[data-fresh="no"]')
        before = depth(page)
        visited.context.set_offline(False)
        deeper_than(page, before)
        page.wait_for_selector('body[data-fresh="yes"]')
        assert page.evaluate(streams) >= 1


def test_stop_without_stream(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        visited.context.route("**/api/events", lambda route: route.abort())
        visited.context.route("**/api/status", lambda route: route.abort())
        page = visited.page
        page.goto(bench.address)
        bench.start()
        bench.until("running")
        expect(page.locator("#heard")).to_contain_text("looking for the rig")
        page.get_by_role("button", name="Stop").click()
        expect(page.locator("#answer-text")).to_have_text("The relay is off. Stop was pressed.")
        assert bench.ask("GET", "/api/status")["state"] == "stopped"


def test_stop_without_network(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = running(visited, bench)
        visited.context.set_offline(True)
        page.get_by_role("button", name="Stop").click()
        expect(page.locator("#answer-text")).to_contain_text(
            "Stop did not reach the controller. Hit the emergency stop"
        )
        expect(page.locator("#assertive")).to_contain_text("Hit the emergency stop")
        visited.context.set_offline(False)
        expect(page.locator("#answer-text")).to_contain_text("The relay is off.")
        visited.state("stopped")


def test_stop_without_scripts(browser: Browser, bench: PageBench) -> None:
    bench.start()
    bench.until("running")
    with visit(browser, bench, java_script_enabled=False, is_paired=False) as visited:
        visited.page.goto(bench.address)
        visited.page.get_by_role("button", name="Stop").click()
        assert bench.until("stopped")["relay_on"] is False
        expect(visited.page.get_by_text("The relay is off.")).to_be_visible()


def test_two_phones(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as easel, visit(browser, bench) as bath:
        easel.go()
        bath.go()
        bench.start()
        easel.state("running")
        bath.state("running")
        easel.page.get_by_role("button", name="Pause", exact=True).click()
        bath.state("paused")
        bath.page.get_by_role("button", name="Lifted and rinsed").click()
        expect(easel.page.get_by_text("The plate is out and rinsed.")).to_be_visible()
        easel.page.get_by_role("button", name="Carry on").click()
        bath.state("running")
        bath.page.get_by_role("button", name="Stop").click()
        easel.state("stopped")
        for phone in (easel, bath):
            phone.assert_sound()


def test_hidden_page(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        visited.page.add_init_script(
            "window.streams = 0;"
            "const Real = EventSource;"
            "window.EventSource = class extends Real {"
            " constructor(...words) { super(...words); window.streams += 1; }"
            " close() { if (this.readyState !== 2) window.streams -= 1; super.close(); } };"
        )
        page = running(visited, bench)
        assert page.evaluate("streams") == 1
        expect(page).to_have_title(re.compile(r"^0\.\d{2} mm running"))
        icon = page.locator("#icon").get_attribute("href")
        hide = "(isHidden) => { Object.defineProperty(document, 'hidden',"
        hide += " { value: isHidden, configurable: true });"
        hide += " document.dispatchEvent(new Event('visibilitychange')); }"
        page.evaluate(hide, True)
        assert page.evaluate("streams") == 0
        bench.ask("POST", "/api/pause")
        expect(page).to_have_title(re.compile(r"^0\.\d{2} mm paused"))
        assert page.locator("#icon").get_attribute("href") != icon
        page.evaluate(hide, False)
        page.wait_for_selector('body[data-fresh="yes"]')
        assert page.evaluate("streams") == 1
        visited.assert_sound()


def test_record_waits_for_the_logbook(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        running(visited, bench)
        status = bench.ask("GET", "/api/status")
        assert status["run_in_logbook"]
        change = {"run_in_logbook": False}

        def stream(route: Route) -> None:
            route.fulfill(
                content_type="text/event-stream",
                body=f"retry: 20\ndata: {json.dumps({**status, **change})}\n\n",
            )

        asked: list[str] = []
        visited.context.route("**/api/events", stream)
        visited.context.route(
            "**/api/status", lambda route: route.fulfill(json={**status, **change})
        )
        visited.page.on("request", lambda request: asked.append(request.url))
        visited.page.reload()
        visited.state("running")
        with visited.page.expect_request("**/api/events"):
            pass  # once more
        assert not any("/api/runs/" in url for url in asked)
        change["run_in_logbook"] = True
        visited.page.wait_for_event(
            "request", lambda request: request.url.endswith(f"/api/runs/{status['run_id']}")
        )


def test_silent_loop_is_shown(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        beat = {"loop_alive": False, "message": "the control loop has been silent for 4.2 s"}
        stream = f"event: heartbeat\ndata: {json.dumps(beat)}\n\n"
        visited.context.route(
            "**/api/events",
            lambda route: route.fulfill(content_type="text/event-stream", body=stream),
        )
        visited.page.goto(bench.address)
        expect(visited.page.locator("#heard")).to_contain_text(
            "the control loop has been silent for 4.2 s"
        )
        expect(visited.page.locator("body")).to_have_attribute("data-fresh", "no")


def test_warning_until_it_is_seen(browser: Browser, bench: PageBench) -> None:
    status = {**bench.ask("GET", "/api/status"), "logbook_ready": True, "logbook_message": None}

    def stream(route: Route) -> None:
        route.fulfill(
            content_type="text/event-stream", body=f"retry: 20\ndata: {json.dumps(status)}\n\n"
        )

    with visit(browser, bench) as visited:
        visited.context.route("**/api/events", stream)
        status |= {
            "current_a": 0.111,
            "warnings": ["The resistance is up by 17 %: stir, look for film and at the contact."],
        }
        page = visited.go("rig")
        card = page.get_by_label("Warning", exact=True)
        expect(card).to_contain_text("up by 17 %")
        expect(page.locator("#polite")).to_contain_text("up by 17 %")
        assert visited.axe() == []
        card.get_by_role("button", name="Seen").click()
        expect(card).to_be_hidden()
        status |= {
            "current_a": 0.222,
            "warnings": ["The resistance is up by 18 %: stir, look for film and at the contact."],
        }
        expect(page.get_by_text("0.222")).to_be_visible()
        expect(card, "the same warning with other numbers is the same warning").to_be_hidden()
        status["warnings"] = ["The store is nearly full."]
        expect(card).to_contain_text("nearly full")
        status["warnings"] = []
        expect(card).to_be_hidden()
        visited.assert_sound()


def test_screen_reader_hears_tenths(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with (
        page_bench(tmp_path_factory.mktemp("quick"), speed=25.0) as bench,
        visit(browser, bench) as visited,
    ):
        page = visited.go()
        page.evaluate(
            "window.announced = []; const polite = document.getElementById('polite');"
            "new MutationObserver(() => announced.push(polite.textContent))"
            ".observe(polite, { childList: true, characterData: true, subtree: true })"
        )
        bench.start(depth_mm=0.05)
        visited.state("finished")
        announced = page.evaluate("announced")
        depths = [text for text in announced if text.startswith("Depth ")]
        assert 3 <= len(depths) <= 9, depths
        assert all("of 0.05 millimetres" in text for text in depths)
        assert any(text.startswith("Finished.") for text in announced)
