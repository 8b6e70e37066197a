"""Every screen, light and dark, on a phone and a desk: axe-core, size of targets, pictures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from controller.texts import text
from tests.kits.page.browser import DESK, PHONE, Visit, chromium, visit
from tests.kits.page.daemon import PLATE, PageBench, page_bench

BATH = "silver bath of March"

SMALL = """
() => [...document.querySelectorAll('button, a, input, select, summary, label:has(input)')]
  .filter((element) => element.checkVisibility() && !element.closest('[inert]'))
  .filter((element) => !element.matches('.skip, label input:is([type=radio], [type=checkbox])'))
  .filter((element) => !(element.matches('a') && element.closest('p')))
  .map((element) => [element.textContent || element.id, element.getBoundingClientRect()])
  .filter(([, box]) => box.width < 48 || box.height < 48)
  .map(([name, box]) => `${name} ${box.width}x${box.height}`)
"""

LINK_PLACES = (
    "[...document.querySelectorAll('nav a')].map((link) => link.getBoundingClientRect().x)"
)

PLACE_ON_PAGE = "(element) => element.getBoundingClientRect().y + scrollY"

TINY = """
() => [...document.querySelectorAll('body *')]
  .filter((element) => element.checkVisibility())
  .filter((element) => [...element.childNodes].some((it) => it.nodeType === 3 && it.data.trim()))
  .filter((element) => parseFloat(getComputedStyle(element).fontSize) < 16)
  .map((element) => `${element.tagName} ${element.className} ${element.textContent.slice(0, 40)}`)
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    """A bath and two past runs with a reading."""
    directory = tmp_path_factory.mktemp("bench")
    with page_bench(directory, speed=200.0) as bench:
        bench.ask("POST", "/api/baths", {"name": BATH, "metal": "fine-silver", "volume_l": 1.5})
        for piece, depth_mm in (("Reed panel", 0.06), ("Fern brooch", 0.08)):
            run = bench.start(piece=piece, depth_mm=depth_mm, bath=BATH)
            bench.until("finished")
            bench.ask("POST", "/api/lifted")
            bench.ask(
                "POST",
                f"/api/runs/{run}/readings",
                {"kind": "gauge", "spots_mm": [depth_mm, depth_mm * 1.03]},
            )
            bench.ask("POST", "/api/acknowledge")
    with page_bench(directory, speed=40.0) as bench:
        yield bench


def clear(bench: PageBench) -> None:
    bench.ask("POST", "/api/stop")
    if bench.ask("GET", "/api/status")["state"] != "idle":
        bench.ask("POST", "/api/acknowledge")


@pytest.fixture
def bench(book: PageBench) -> PageBench:
    """Besides, a run that is paused at a gauge stop."""
    if book.ask("GET", "/api/status")["state"] != "paused":
        clear(book)
        book.start(bath=BATH, gauge_stops_mm=[0.05])
        book.until("paused")
    return book


def screens(bench: PageBench) -> dict[str, str]:
    runs = [run["run_id"] for run in bench.ask("GET", "/api/runs")["runs"]]
    return {
        **{name: name for name in ("now", "prepare", "check", "begin", "gauge", "runs", "rig")},
        "run": f"run/{runs[1]}",
        "compare": f"compare/{runs[1]}/{runs[2]}",
        "sheet": f"sheet/{runs[1]}",
    }


SETTLED = {
    "now": ".event",
    "prepare": ".plan-figures dd",
    "check": ".check",
    "begin": ".cautions",
    "gauge": ".reading-form",
    "runs": ".sketch-depth",
    "rig": ".qr",
    "run": ".reading-list li",
    "compare": "tr[data-differs]",
    "sheet": ".printed-line",
}


def fill_draft(visited: Visit) -> None:
    draft = {
        "piece": PLATE["piece"],
        "area_by": "typed",
        "area_cm2": "7.12",
        "edge_mm": "640",
        "thickness": "1.2",
        "current_a": "2.8",
    }
    visited.page.evaluate(
        "(draft) => sessionStorage.setItem('biteclock-draft', JSON.stringify(draft))", draft
    )
    visited.page.reload()
    visited.page.wait_for_selector('body[data-fresh="yes"]')


def look_at(visited: Visit, name: str, address: str, *, with_axe: bool = True) -> None:
    page = visited.page
    page.evaluate("(hash) => { location.hash = hash; }", address)
    page.locator(SETTLED[name]).first.wait_for()
    expect(page.locator("[data-waiting]")).to_have_count(0)
    page.evaluate("document.fonts.ready")
    assert page.evaluate(SMALL) == [], name
    assert page.evaluate(TINY) == [], name
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (
        f"{name} scrolls sideways"
    )
    assert not with_axe or visited.axe() == [], name


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_every_screen(
    browser: Browser, bench: PageBench, size: tuple[int, int], scheme: Any
) -> None:
    """Colours depend on the scheme and sizes on the device: axe-core looks once at each."""
    with_axe = (size, scheme) in ((PHONE, "light"), (DESK, "dark"))
    with visit(browser, bench, size, scheme=scheme) as visited:
        page = visited.go()
        fill_draft(visited)
        device = "phone" if size == PHONE else "desk"
        page.evaluate("(hash) => { location.hash = hash; }", "prepare")
        page.locator(SETTLED["prepare"]).first.wait_for()
        places = page.evaluate(LINK_PLACES)
        for name, address in screens(bench).items():
            look_at(visited, name, address, with_axe=with_axe)
            assert page.evaluate(LINK_PLACES) == places, "the links to the screens stand still"
            visited.picture(f"{name}-{device}" + ("" if scheme == "light" else "-dark"))
        visited.assert_sound()


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_restore_moves_nothing(browser: Browser, bench: PageBench, size: tuple[int, int]) -> None:
    """The answer to a restored backup comes late, into room that is kept for it."""
    answer = {"message": text("backup.restarting", made_at="2026-03-14 09:20 UTC")}
    with visit(browser, bench, size) as visited:
        visited.context.route("**/api/restore", lambda route: route.fulfill(json=answer))
        page = visited.go("rig")
        below = page.get_by_role("heading", name="Phones", exact=True)
        file = {"name": "backup.zip", "mimeType": "application/zip", "buffer": b"PK"}
        page.get_by_label("Restore a backup").set_input_files([file])
        backup = page.get_by_label("Restore a backup")
        # From there: the rig's readings above may arrive late on a busy machine.
        place = below.evaluate(PLACE_ON_PAGE) - backup.evaluate(PLACE_ON_PAGE)
        page.get_by_role("button", name="Restore", exact=True).click()
        expect(page.locator(".backup-answer")).to_contain_text("is sound")
        assert below.evaluate(PLACE_ON_PAGE) - backup.evaluate(PLACE_ON_PAGE) == place
        visited.assert_sound()


@pytest.mark.parametrize("contrast", ["more"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_and_motion(
    browser: Browser, bench: PageBench, scheme: Any, contrast: Any
) -> None:
    with visit(
        browser, bench, scheme=scheme, contrast=contrast, reduced_motion="reduce"
    ) as visited:
        page = visited.go()
        ink, paper = page.evaluate(
            "(({ color, backgroundColor: paper }) => [color, paper])"
            "(getComputedStyle(document.body))"
        )
        assert {ink, paper} == {"rgb(0, 0, 0)", "rgb(255, 255, 255)"}
        assert (
            page.locator(".rule-done").evaluate(
                "element => getComputedStyle(element).transitionDuration"
            )
            == "0s"
        )
        assert visited.axe() == []


def test_keyboard_alone(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go()
        page.keyboard.press("Tab")
        expect(page.get_by_role("link", name="Skip to the screen")).to_be_focused()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.get_by_role("button", name="Stop")).to_be_focused()
        page.locator("nav a").first.focus()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Prepare a piece")).to_be_focused()
        seen = []
        for _ in range(60):
            page.keyboard.press("Tab")
            seen.append(
                page.evaluate("document.activeElement.id || document.activeElement.textContent")
            )
        assert "stop" in seen, "the last stop of the keyboard is Stop"
        assert len(set(seen)) > 15, "no trap on the way"


def test_pictures_of_the_readme(browser: Browser, book: PageBench) -> None:
    clear(book)
    with visit(browser, book, device_scale_factor=2) as phone, visit(browser, book, DESK) as desk:
        page = phone.go()
        fill_draft(phone)
        for name in ("prepare", "runs", "rig"):
            look_at(phone, name, name)
            phone.picture(f"readme-{name}-phone")
        for visited in (phone, desk):
            visited.go()
        book.start(bath=BATH, gauge_stops_mm=[0.16])
        page.get_by_role("heading", name="First look").wait_for()
        assert phone.axe() == []
        phone.picture("readme-first-look-phone")
        page.get_by_role("button", name="Yes, all well").click()
        page.wait_for_function(
            "() => Number(document.querySelector('.depth-number').textContent) > 0.12"
        )
        phone.picture("readme-now-phone")
        desk.picture("readme-now-desk")
        assert phone.axe() == []
        assert desk.axe() == []
        phone.state("paused")
        page.get_by_label("Question from the rig").get_by_role(
            "button", name="Lifted and rinsed"
        ).click()
        look_at(phone, "gauge", "gauge")
        phone.picture("readme-gauge-phone")
        for visited in (phone, desk):
            visited.assert_sound()
