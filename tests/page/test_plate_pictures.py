"""Pictures of the plate in a browser: drawn from the field, looked at, tapped for a reading."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, expect

from tests.kits.artwork.files import svg
from tests.kits.page.browser import chromium, visit
from tests.kits.page.daemon import page_bench

ARTWORK = svg(
    '<rect x="4" y="4" width="20" height="20"/><path d="M30 6v16M30.5 6v16" stroke="black" '
    'stroke-width="0.3"/>',
    'width="40mm" height="28mm"',
    'viewBox="0 0 40 28"',
)
RUN = {"metal": "fine-silver", "depth_mm": 0.25, "thickness_mm": 0.8, "current_a": 1.0}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def opened(screen: Locator) -> Locator:
    """Open the box and wait for its first picture; return the canvas."""
    box = screen.locator(".plate-box")
    expect(box).to_be_visible()
    box.locator("summary").click()
    canvas = box.locator(".plate-canvas[data-drawn]")
    expect(canvas).to_be_visible()
    return canvas


def shades(canvas: Locator) -> int:
    """Return how many different colours the picture has."""
    script = """(canvas) => {
        const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
        return new Set(new Uint32Array(data.buffer)).size;
    }"""
    found: int = canvas.evaluate(script)
    return found


def test_plate_is_looked_at(browser: Browser, tmp_path: Path) -> None:
    """Each picture is drawn and explained; buttons and keys change the view; nothing shifts."""
    artwork = tmp_path / "plate.svg"
    artwork.write_bytes(ARTWORK)
    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        visited.expect_refusal("Service Unavailable")  # the preview is being drawn
        page = visited.go("prepare")
        page.get_by_label("Artwork file").set_input_files(artwork)
        page.get_by_label("Sheet thickness").fill("0.8")
        page.get_by_label("Current in A").fill("1")
        screen = page.locator(".screen-prepare")
        canvas = opened(screen)
        assert shades(canvas) > 20
        legend = screen.locator(".plate-legend")
        screen.get_by_text("Lines", exact=True).click()
        expect(canvas).to_have_attribute("data-drawn", "lines")
        expect(legend).to_contain_text("wash out")
        screen.get_by_text("Metal left", exact=True).click()
        expect(legend).to_contain_text("0.60 mm of metal or more left")
        canvas.press("Enter")
        expect(screen.locator(".plate-words")).to_contain_text("20.0 mm from the left, 14.0 mm")
        canvas.press("+")
        canvas.press("ArrowRight")
        canvas.press("Enter")
        expect(screen.locator(".plate-words")).not_to_contain_text("20.0 mm from the left")
        screen.get_by_text("Section", exact=True).click()
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 20, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] - 20, box["y"] + box["height"] / 2, steps=4)
        page.mouse.up()
        expect(screen.locator(".plate-profile-figure")).to_contain_text("Heights are drawn")


def test_reading_is_tapped(browser: Browser, tmp_path: Path) -> None:
    """A tap on the flipped plate gives the place, and the reading is kept with it."""
    with page_bench(tmp_path, speed=30.0) as bench, visit(browser, bench) as visited:
        page = visited.go()
        upload = "(text) => fetch('/api/artworks', {method: 'POST', body: text, headers: {"
        upload += "'Content-Type': 'image/svg+xml'}}).then((answer) => answer.json())"
        artwork: dict[str, Any] = page.evaluate(upload, ARTWORK.decode())
        next(status for status in bench.events() if status["logbook_ready"])
        run = bench.ask("POST", "/api/start", {**RUN, "artwork": artwork["artwork"]})["run_id"]
        visited.state("running")
        next(status for status in bench.events() if (status["depth_mm"] or 0.0) > 0.06)
        bench.ask("POST", "/api/pause")
        visited.state("paused")
        visited.go("gauge")
        screen = page.locator(".screen-gauge")
        canvas = opened(screen)
        screen.get_by_role("button", name="Flip").click()
        size = canvas.bounding_box()
        assert size is not None
        # The plate is 40 mm wide and as wide as the canvas; flipped, 14 mm are 26 from the left.
        place = {"x": size["width"] * 26 / 40, "y": size["height"] / 2}
        canvas.click(position=place)
        expect(screen.get_by_text("Expected there")).to_be_visible()
        depth_mm = bench.ask("GET", "/api/status")["depth_mm"]
        for spot in ("Spot 1, mm", "Spot 2, mm"):
            page.get_by_label(spot).fill(f"{depth_mm:.3f}")
        screen.get_by_label("Who gauged").fill("M")
        screen.get_by_role("button", name="Keep this reading").click()
        expect(screen.locator(".change table")).to_be_visible()
        (kept,) = bench.ask("GET", f"/api/runs/{run}/readings")["readings"]
        assert kept["at"]["name"] == "tapped"
        assert kept["at"]["x_mm"] == pytest.approx(14.0, abs=0.3)
        assert kept["at"]["y_mm"] == pytest.approx(14.0, abs=0.3)
        assert kept["person"] == "M"
        expect(screen.get_by_label("Who gauged")).to_have_value("M")
