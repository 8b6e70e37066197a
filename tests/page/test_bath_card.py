"""The bath's card in a real browser: strength of the acid, and a coupon in three steps."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.kits.page.browser import PHONE, chromium, visit
from tests.kits.page.daemon import page_bench


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def test_card_and_coupon(browser: Browser, tmp_path: Path) -> None:
    """A bath is described, a useless coupon is refused, a useful one is kept.

    0.1792 g of copper (8.96 g/cm3) from 20 cm2 in 50 min are 0.2 um/min.
    """
    with page_bench(tmp_path, speed=50.0) as bench, visit(browser, bench, PHONE) as visited:
        bench.ask("POST", "/api/baths", {"name": "tank 1", "metal": "copper", "acid": "nitric"})
        visited.expect_refusal("Unprocessable")
        page = visited.go("prepare")
        page.get_by_label("Metal", exact=True).select_option("copper")
        page.get_by_label("Bath", exact=True).select_option("tank 1")
        page.get_by_role("button", name="The bath's card").click()
        dialog = page.get_by_role("dialog", name="The bath's card")
        expect(dialog.get_by_text("a guess")).to_be_visible()
        dialog.get_by_label("Parts of water").fill("10")
        dialog.get_by_label("Strength in the bottle").fill("65")
        dialog.get_by_role("button", name="Keep this bath").click()
        expect(dialog).to_have_count(0)
        page.get_by_role("button", name="The bath's card").click()
        expect(dialog.get_by_text("from its strength")).to_be_visible()
        expect(dialog.get_by_label("Parts of water")).to_have_value("10")
        dialog.get_by_text("Weigh a coupon").click()
        dialog.get_by_label("Bare area").fill("20")
        dialog.get_by_label("Weight before").fill("8.5")
        dialog.get_by_label("Time in the bath").fill("50")
        dialog.get_by_label("Weight after").fill("8.48")
        dialog.get_by_role("button", name="Keep the coupon").click()
        expect(dialog.get_by_text("about 150 min in all")).to_be_visible()
        dialog.get_by_label("Weight after").fill("8,3208")
        dialog.get_by_role("button", name="Keep the coupon").click()
        expect(dialog.get_by_text("Plans for this bath use it")).to_be_visible()
        expect(dialog.get_by_text("about 0.20")).to_be_visible()
        expect(dialog.get_by_text("from the weighed coupon")).to_be_visible()
        (bath,) = bench.ask("GET", "/api/baths")["baths"]
    assert bath["attack_um_per_min"] == pytest.approx(0.2)
    assert (bath["water_parts"], bath["bottle_percent"], bath["acid"]) == (10.0, 65.0, "nitric")
