"""A finished run on paper, as files, beside another one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pypdfium2  # type: ignore[import-untyped]
import pytest
from playwright.sync_api import Browser, expect

from tests.kits.page.browser import DESK, PHONE, chromium, visit
from tests.kits.page.daemon import PageBench, page_bench

A4_PT = (595, 842)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageBench]:
    """Two finished runs, the second with more events than fit on a page."""
    with page_bench(tmp_path_factory.mktemp("bench"), speed=40.0) as bench:
        bench.start(piece="First try", depth_mm=0.03)
        bench.until("finished")
        bench.ask("POST", "/api/acknowledge")
        bench.start(
            piece="Second try",
            depth_mm=0.03,
            current_a=1.4,
            gauge_stops_mm=[0.004 * step for step in range(1, 7)],
        )
        while bench.until("paused", "finished")["state"] == "paused":
            bench.ask("POST", "/api/lifted")
            bench.ask("POST", "/api/resume")
            bench.until("running")
        yield bench


def newest(bench: PageBench) -> str:
    return str(bench.ask("GET", "/api/runs")["runs"][0]["run_id"])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_printout_is_one_page(
    browser: Browser, bench: PageBench, tmp_path: Path, scheme: str
) -> None:
    with visit(browser, bench, PHONE, scheme=scheme) as visited:
        page = visited.go(f"sheet/{newest(bench)}")
        expect(page.locator(".printed-line")).to_have_count(3)
        expect(page.locator(".printout")).to_contain_text("Second try")
        page.pdf(path=tmp_path / "sheet.pdf", prefer_css_page_size=True, print_background=True)
        document = pypdfium2.PdfDocument(tmp_path / "sheet.pdf")
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx(A4_PT, abs=1)
        words = document[0].get_textpage().get_text_bounded()
        for text in (
            "Second try",
            "0.03 mm",
            "Charge",
            "fine silver",
            "Readings",
            "Remarks",
            "Finished",
        ):
            assert text in words, text
        assert "Stop" not in words.replace("Stop ", "", 1).replace("Stopped", ""), (
            "the buttons are not printed"
        )
        corner = document[0].render(scale=0.2).to_pil().getpixel((2, 2))
        assert corner == (255, 255, 255), "paper is white"
        visited.assert_sound()


def test_csv_and_json(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go(f"run/{newest(bench)}")
        with page.expect_download() as csv:
            page.get_by_role("link", name="One-second samples as CSV").click()
        assert csv.value.suggested_filename.endswith(f"{newest(bench)}-samples.csv")
        assert (
            Path(csv.value.path())
            .read_text(encoding="utf-8")
            .startswith("elapsed_s,on_time_s,current_a,voltage_v,charge_coulombs,")
        )
        with page.expect_download() as table:
            page.get_by_role("link", name="One-second samples as JSON").click()
        assert len(json.loads(Path(table.value.path()).read_text(encoding="utf-8"))["samples"]) > 50


def test_compared_runs(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench, DESK) as visited:
        page = visited.go("runs")
        expect(page.locator(".run-row")).to_have_count(2)
        for name in ("First try", "Second try"):
            page.get_by_role("checkbox", name=f"Compare {name}").check()
        page.get_by_role("link", name="Compare the two").click()
        expect(page.get_by_role("heading", name="Two runs compared")).to_be_focused()
        current = (
            page.get_by_role("row")
            .filter(has=page.get_by_role("rowheader", name="Current differs", exact=True))
            .first
        )
        expect(current).to_contain_text("2.80\u00a0A")
        expect(current).to_contain_text("1.40\u00a0A")
        metal = page.get_by_role("row", name="Metal fine silver fine silver")
        expect(metal).to_be_visible()
        expect(page.locator(".compare canvas")).to_have_count(3)
        assert not visited.axe()
        visited.assert_sound()


def test_search(browser: Browser, bench: PageBench) -> None:
    with visit(browser, bench) as visited:
        page = visited.go("runs")
        expect(page.locator(".run-row")).to_have_count(2)
        page.get_by_label("Search piece").fill("second silver")
        expect(page.locator(".run-row")).to_have_count(1)
        page.get_by_label("Search piece").fill("<img src=x onerror=alert(1)>")
        expect(page.get_by_text("No run matches.")).to_be_visible()
        visited.assert_sound()


def test_typed_markup_is_text(browser: Browser, bench: PageBench) -> None:
    name = "<b onmouseover=alert(1)>bold</b> & co"
    bench.ask("POST", "/api/acknowledge")
    bench.start(piece=name, depth_mm=0.02)
    bench.until("finished")
    with visit(browser, bench) as visited:
        page = visited.go()
        expect(page.locator(".piece")).to_have_text(f"{name}, fine silver")
        page.goto(f"{bench.address}#run/{newest(bench)}")
        expect(page.get_by_role("heading", name=name)).to_be_visible()
        assert page.locator("b").count() == 0
        visited.assert_sound()
