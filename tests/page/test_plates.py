"""Several pieces on one plate, on the page: added, arranged, dragged, turned and planned."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.kits.artwork.files import svg
from tests.kits.page.browser import chromium, visit
from tests.kits.page.daemon import page_bench


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def drawn(folder: Path) -> list[Path]:
    """A disc of 5 mm radius and a bar of 20 x 6 mm, each on a page of 50 x 30 mm."""
    drawings = {
        "disc.svg": '<circle cx="25" cy="15" r="5"/>',
        "bar.svg": '<rect x="15" y="12" width="20" height="6"/>',
    }
    for name, drawing in drawings.items():
        (folder / name).write_bytes(svg(drawing))
    return [folder / name for name in drawings]


def add(page: Page, name: str, copies: int) -> None:
    page.get_by_label("Artwork to add").select_option(label=name)
    page.get_by_label("Copies", exact=True).fill(str(copies))
    page.get_by_role("button", name="Add to the plate").click()


def test_plate_is_put_together(browser: Browser, tmp_path: Path) -> None:
    """Area by hand: 2 pi 5^2 + 120 mm2 = 2.771 cm2."""
    files = drawn(tmp_path)
    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        # Another picture is being drawn: the page asks again.
        visited.expect_refusal("Service Unavailable")
        page = visited.go("prepare")
        for file in files:
            page.get_by_label("Artwork file").set_input_files(file)
            expect(page.locator(".note", has_text=f"{file.name}:")).to_be_visible()
            # While a picture is being drawn, no other file is measured.
            expect(page.get_by_alt_text(f"Picture of {file.name}")).to_be_visible()
        page.get_by_text("Several pieces on one plate").click()
        add(page, "disc.svg", 2)
        state = page.locator(".plate-editor [aria-live]")
        expect(state).to_contain_text("2 pieces on 60.0 × 73.0 mm")
        add(page, "bar.svg", 1)
        expect(state).to_contain_text("3 pieces on")
        expect(state).to_contain_text("2.77")
        pieces = page.locator(".plate-sheet [role=button]")
        expect(pieces).to_have_count(3)
        bar = pieces.nth(2)
        bar.focus()
        before = bar.get_attribute("aria-label") or ""
        bar.press("ArrowRight")
        expect(bar).not_to_have_attribute("aria-label", before)
        page.get_by_role("button", name="Turn by 90°").click()
        expect(bar).to_have_attribute("aria-label", re.compile("turned by 90 degrees"))
        page.get_by_role("button", name="Arrange for me").click()
        expect(bar).to_have_attribute("aria-label", re.compile("turned by 90 degrees"))
        expect(state).to_contain_text("3 pieces on")
        page.get_by_label("Sheet thickness").fill("1.2")
        page.get_by_label("Current in A").fill("0.5")
        expect(page.get_by_role("region", name="The plan")).to_contain_text("2.77")
        assert not visited.axe()
        visited.assert_sound()


def test_piece_is_dragged(browser: Browser, tmp_path: Path) -> None:
    """A piece dragged onto another is refused with the overlap; dragged back, it is measured."""
    files = drawn(tmp_path)
    with page_bench(tmp_path / "state") as bench, visit(browser, bench) as visited:
        visited.expect_refusal("Service Unavailable")
        visited.expect_refusal("Unprocessable")
        page = visited.go("prepare")
        page.get_by_label("Artwork file").set_input_files(files[0])
        expect(page.locator(".note", has_text="disc.svg:")).to_be_visible()
        page.get_by_text("Several pieces on one plate").click()
        add(page, "disc.svg", 2)
        state = page.locator(".plate-editor [aria-live]")
        expect(state).to_contain_text("2 pieces on")
        piece = page.locator(".plate-sheet [role=button]").nth(1)
        piece.scroll_into_view_if_needed()
        box = piece.bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x, y - box["height"] / 2, steps=5)
        page.mouse.up()
        expect(page.locator(".plate-editor button[data-kind=bad]")).to_contain_text("overlap by")
        for _ in range(20):
            piece.press("ArrowDown")
        expect(state).to_contain_text("2 pieces on")
        expect(page.locator(".plate-editor button[data-kind=bad]")).to_have_count(0)
