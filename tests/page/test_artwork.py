"""Artwork on the page: a file is measured, drawn with its lost lines, and planned."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Route, expect

from tests.kits.page.browser import chromium, visit
from tests.kits.page.daemon import page_bench

DPI = 600
MM = DPI / 25.4


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def two_fields(path: Path) -> Path:
    """Draw two fields of 8 x 10 mm, a resist line of 0.2 mm between them, on 20 x 14 mm."""
    picture = Image.new("L", (round(20 * MM), round(14 * MM)), 255)
    pen = ImageDraw.Draw(picture)
    pen.rectangle((round(1.9 * MM), round(2 * MM), round(9.9 * MM), round(12 * MM)), fill=0)
    pen.rectangle((round(10.1 * MM), round(2 * MM), round(18.1 * MM), round(12 * MM)), fill=0)
    picture.save(path, dpi=(DPI, DPI))
    return path


def test_file_is_measured_and_planned(browser: Browser, tmp_path: Path) -> None:
    artwork = two_fields(tmp_path / "two fields.png")
    refused: list[Route] = []

    def busy_once(route: Route) -> None:
        if refused:
            route.fallback()
        else:
            refused.append(route)
            route.fulfill(status=503)

    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        visited.expect_refusal(
            "Service Unavailable"
        )  # somebody else's picture is being drawn: the page asks again
        visited.context.route("**/preview.png*", busy_once)
        page = visited.go("prepare")
        page.get_by_label("Artwork file").set_input_files(artwork)
        facts = page.locator(".note", has_text="two fields.png:")
        # 2 x 8 x 10 mm = 1.6 cm2, edges 2 x 36 mm, by hand; each edge may be half a pixel off.
        expect(facts).to_contain_text("1.6")
        expect(facts).to_contain_text("72 mm of edge")
        page.get_by_label("Sheet thickness").fill("1.2")
        page.get_by_label("Current in A").fill("0.3")
        plan = page.get_by_role("region", name="The plan")
        expect(plan).to_contain_text("A thin resist line may wash out")
        picture = page.get_by_alt_text("Picture of two fields.png")
        page.wait_for_function("() => document.querySelector('.preview img').naturalWidth > 300")
        expect(picture).to_be_visible()
        expect(picture).to_have_attribute("src", re.compile("etch_factor"))
        assert len(refused) == 1
        page.get_by_label("Depth wanted in mm").fill("0.02")
        expect(plan).not_to_contain_text("may wash out")
        page.reload()
        expect(page.locator(".note", has_text="two fields.png:")).to_be_visible()
        assert not visited.axe()
        visited.assert_sound()


def test_no_artwork_is_marked(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear studio", encoding="utf-8")
    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        page = visited.go("prepare")
        page.get_by_label("Artwork file").set_input_files(tmp_path / "letter.txt")
        expect(page.locator(".note button[data-kind=bad]").first).to_be_visible()
        assert all("422" in text or "415" in text for text in visited.complaints)


def test_film_is_downloaded(browser: Browser, tmp_path: Path) -> None:
    """With a plan, Prepare makes the film for its depth; the line between the fields is saved."""
    artwork = two_fields(tmp_path / "two fields.png")
    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        page = visited.go("prepare")
        page.get_by_label("Artwork file").set_input_files(artwork)
        page.get_by_label("Sheet thickness").fill("1.2")
        page.get_by_label("Current in A").fill("0.3")
        page.get_by_text("Film for this depth").click()
        expect(page.get_by_label("Depth in mm", exact=True)).to_have_value("0.25")
        with page.expect_download() as download:
            page.get_by_role("button", name="Make the film").click()
        assert download.value.suggested_filename == "two fields-film.pdf"
        assert download.value.path().read_bytes().startswith(b"%PDF-")
        expect(page.get_by_text("The film is made. Thin lines saved: 1.")).to_be_visible()
