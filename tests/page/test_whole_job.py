"""The whole job on the page: prepare, check, start, first look, gauge, finish, do again."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.kits.page.browser import DESK, PHONE, Visit, chromium, visit
from tests.kits.page.daemon import PageBench, page_bench


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def prepare(page: Page, bath: str) -> None:
    """Fill in the form: fine silver, a new bath, the suggested gauge stop."""
    page.get_by_label("Name of the piece").fill("Reed panel")
    page.get_by_label("Bath", exact=True).select_option(label="Make up a new bath\u2026")
    dialog = page.get_by_role("dialog", name="New bath")
    dialog.get_by_label("Name").fill(bath)
    dialog.get_by_label("Acid").fill("nitric acid, 1 part in 10")
    dialog.get_by_label("Volume").fill("1,5")
    dialog.get_by_role("button", name="Keep this bath").click()
    expect(page.get_by_label("Bath", exact=True)).to_have_value(bath)
    page.get_by_label("Unit of the thickness").select_option("gauge")
    page.get_by_label("Sheet thickness").fill("18")
    page.get_by_text("Type it in").click()
    page.get_by_label("Open area in cm\u00b2").fill("7.12")
    page.get_by_label("Length of all edges in mm").fill("640")
    page.get_by_label("Depth wanted in mm").fill("0.04")
    page.get_by_label("Current in A").fill("2.8")
    # 18 gauge B&S is 0.0403 inch. Source: ASTM B258, from memory.
    expect(page.get_by_text("That is 1.024 mm.")).to_be_visible()
    page.get_by_role("button", name="Add the suggested stop at 0.03 mm").click()
    expect(page.get_by_role("button", name="Remove the gauge stop at 0.03 mm")).to_be_visible()


def begin(page: Page) -> None:
    """Check the rig, see the cautions, start."""
    page.get_by_role("link", name="Next: check the rig").click()
    expect(page.get_by_role("heading", name="Rig check")).to_be_focused()
    expect(page.get_by_text("Everything that can be checked now is well.")).to_be_visible()
    for name in ("Sensor", "Relay output", "Zero offset", "Cell voltage", "Shunt headroom"):
        expect(
            page.locator(".check[data-passed=yes] .check-name").filter(has_text=name)
        ).to_be_visible()
    page.get_by_role("link", name="Next: cautions and Start").click()
    expect(page.get_by_text("a smell that fades is a danger sign")).to_be_visible()
    start = page.get_by_role("button", name="Start")
    start.click(force=True)  # it is marked as disabled, and says why
    expect(page.get_by_text("Tick the box when this is true.")).to_be_visible()
    page.get_by_label("I have read the cautions").check()
    start.dblclick()
    expect(page.locator(".piece")).to_have_text("Reed panel, fine silver")
    expect(page.locator("#answer"), "a double tap starts one run").to_be_hidden()


def width_mm(interval: str) -> float:
    low, high = interval.split(" to ")
    return float(high) - float(low)


def gauge(page: Page) -> None:
    """Say that the plate is out, take two readings, one of them surprising, and go on."""
    page.get_by_role("button", name="Lifted and rinsed").click()
    page.get_by_label("Question from the rig").get_by_role("link", name="Gauge").click()
    expect(page.get_by_text("The plate is out and rinsed.")).to_be_visible()
    spots = page.get_by_role("textbox", name=re.compile(r"^Spot \d"))
    expect(spots).to_have_count(3)
    for spot, depth in zip(spots.all(), ("0.31", "0.3", "0,29"), strict=True):
        spot.fill(depth)
    page.get_by_role("button", name="Keep this reading").click()
    expect(page.get_by_role("button", name="It is right: keep it")).to_be_visible()
    for spot, depth in zip(spots.all(), ("0.031", "0.03", "0,029"), strict=True):
        spot.fill(depth)
    page.get_by_role("button", name="Keep this reading").click()
    expect(page.get_by_role("heading", name="What the reading changed")).to_be_focused()
    rows = page.locator(".change tbody tr")
    expect(rows).to_have_count(2)
    before, after = (row.locator("td").last.inner_text() for row in rows.all())
    assert width_mm(after) < width_mm(before), "a reading narrows the interval"
    page.get_by_role("button", name="Carry on").click()


def whole_job(visited: Visit, bath: str) -> None:
    visited.expect_refusal("Conflict")  # the surprising reading
    page = visited.go("prepare")
    prepare(page, bath)
    begin(page)
    visited.state("running")
    page.get_by_role("button", name="Yes, all well").click()
    visited.state("paused")
    expect(page.get_by_role("heading", name="Gauge stop at 0.03 mm")).to_be_visible()
    gauge(page)
    visited.state("finished")
    page.get_by_role("button", name="Lifted and rinsed").click()
    page.get_by_role("button", name="Put this piece away").click()
    visited.state("idle")
    page.get_by_role("navigation").get_by_role("link", name="Runs").click()
    row = page.locator(".run-row").filter(has_text="Reed panel").first
    expect(row).to_contain_text("Finished")
    expect(row).to_contain_text(bath)
    expect(row.locator(".sketch-depth")).to_have_count(1)
    row.get_by_role("link").click()
    expect(page.get_by_role("heading", name="Reed panel")).to_be_focused()
    expect(page.locator(".screen-run .reading-list li")).to_have_count(1)
    expect(page.get_by_text("First look: gas at the minus plate")).to_be_visible()
    page.get_by_role("button", name="Do this again").click()
    expect(page.get_by_label("Open area in cm\u00b2")).to_have_value("7.12")
    expect(page.get_by_label("Bath", exact=True)).to_have_value(bath)
    expect(page.get_by_role("link", name="Next: check the rig")).not_to_have_attribute(
        "aria-disabled", "true"
    )
    visited.assert_sound()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    with page_bench(tmp_path_factory.mktemp("bench"), speed=25.0) as bench:
        yield bench


@pytest.mark.parametrize(
    ("size", "bath"),
    [(PHONE, "silver bath of March"), (DESK, "silver bath of April")],
    ids=["phone", "desk"],
)
def test_whole_job(browser: Browser, bench: PageBench, size: tuple[int, int], bath: str) -> None:
    with visit(browser, bench, size) as visited:
        whole_job(visited, bath)


def test_new_phone_needs_the_pin(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path) as bench:
        bench.start()
        bench.until("running")
        with visit(browser, bench, is_paired=False) as visited:
            page = visited.go()
            visited.state("running")
            page.get_by_role("button", name="Pause", exact=True).click()
            dialog = page.get_by_role("dialog", name="Pair this phone")
            dialog.get_by_label("PIN").fill("000000")
            dialog.get_by_label("Name of this phone").fill("phone on the easel")
            pin = bench.ask("GET", "/api/pairing")["pin"]
            if pin == "000000":
                dialog.get_by_label("PIN").fill("000001")
            dialog.get_by_role("button", name="Pair").click()
            expect(dialog.get_by_role("alert")).to_contain_text("PIN is wrong")
            bench.ask("POST", "/api/pairing/new")
            dialog.get_by_label("PIN").fill(bench.ask("GET", "/api/pairing")["pin"])
            dialog.get_by_role("button", name="Pair").click()
            visited.state("paused")
            page.goto(f"{bench.address}#rig")
            expect(page.get_by_text("phone on the easel, this one")).to_be_visible()
            expect(page.get_by_alt_text("QR code of")).to_be_visible()
        with visit(browser, bench, is_paired=False) as other:
            page = other.go()
            page.get_by_role("button", name="Stop").click()
            expect(page.locator("#answer-text")).to_contain_text("The relay is off.")
            other.state("stopped")
            other.assert_sound()
