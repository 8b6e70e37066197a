"""How heavy the page is: what the first load costs, that nothing comes from elsewhere, how much of a core it takes while live."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from api.http.page_files import PAGE_DIRECTORY
from tests.kits.page_browser import chromium, visit
from tests.kits.page_daemon import page_bench

FIRST_LOAD_BYTES = 150_000
LIVE_UPDATES = 40
SCRIPT_SHARE = 0.05

PICTURED = {".woff2"}
"""Kinds of files that are compressed already."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def compressed_bytes(path: Path) -> int:
    body = path.read_bytes()
    return len(body) if path.suffix in PICTURED else len(gzip.compress(body, 6))


def imports_of(module: Path) -> set[Path]:
    text = module.read_text(encoding="utf-8")
    return {
        (module.parent / name).resolve()
        for name in re.findall(r'^(?:import|export) .*?from "(\./[^"]+)";', text, re.M | re.S)
    }


def test_index_names_every_module_so_that_none_is_waited_for() -> None:
    index = (PAGE_DIRECTORY / "index.html").read_text(encoding="utf-8")
    named = {
        (PAGE_DIRECTORY / name).resolve()
        for name in re.findall(r'<link rel="modulepreload" href="([^"]+)">', index)
    }
    main = (PAGE_DIRECTORY / "js" / "main.js").resolve()
    reached, to_look_at = set(), {main}
    while to_look_at:
        module = to_look_at.pop()
        reached.add(module)
        to_look_at |= imports_of(module) - reached
    assert reached - {main} == named
    assert reached == {path.resolve() for path in (PAGE_DIRECTORY / "js").glob("*.js")}, (
        "no module lies idle"
    )


def test_the_modules_import_in_no_circle() -> None:
    graph = {path.resolve(): imports_of(path) for path in (PAGE_DIRECTORY / "js").glob("*.js")}
    while graph:
        leaves = {module for module, needed in graph.items() if not needed & set(graph)}
        assert leaves, f"a circle of {sorted(module.name for module in graph)}"
        graph = {module: needed for module, needed in graph.items() if module not in leaves}


def test_modules_stay_readable_and_out_of_the_markup() -> None:
    for path in (PAGE_DIRECTORY / "js").glob("*.js"):
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= 200, path.name
        assert text.startswith("// "), f"{path.name} says what it is for"
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|cssText|setAttribute\(\"style",
            text,
        )


def test_the_first_load_is_light_and_comes_from_the_bench_alone(
    browser: Browser, tmp_path: Path
) -> None:
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        asked: list[str] = []
        visited.page.on("request", lambda request: asked.append(request.url))
        visited.go()
        foreign = [url for url in asked if not url.startswith((bench.address, "data:"))]
        assert foreign == []
        names = {
            url.removeprefix(bench.address).partition("#")[0] or "index.html"
            for url in asked
            if not url.startswith("data:")
        }
        files = [PAGE_DIRECTORY / name for name in names if not name.startswith("api/")]
        assert len(files) > 20
        total = sum(compressed_bytes(path) for path in files)
        print(
            f"first load: {len(files)} files, {total} bytes compressed, {sum(p.stat().st_size for p in files)} plain"
        )
        assert total < FIRST_LOAD_BYTES
        visited.assert_sound()


def test_the_page_is_let_through_by_the_content_security_policy(
    browser: Browser, tmp_path: Path
) -> None:
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        answer = visited.page.goto(bench.address)
        assert answer is not None
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        visited.page.wait_for_selector('body[data-fresh="yes"]')
        visited.assert_sound()


def test_live_costs_little_of_a_core(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path, speed=10.0) as bench, visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("running")
        tools = visited.context.new_cdp_session(page)
        tools.send("Performance.enable")

        def metrics() -> dict[str, float]:
            return {
                entry["name"]: entry["value"]
                for entry in tools.send("Performance.getMetrics")["metrics"]
            }

        heard = "let heard = 0; const hear = () => { heard += 1; if (heard === %d) resolve(); };"
        wait = f"new Promise((resolve) => {{ {heard % LIVE_UPDATES} new MutationObserver(hear)"
        wait += ".observe(document.querySelector('.depth-number'), { childList: true }); })"
        before = metrics()
        page.evaluate(wait)
        after = metrics()
        span_s = after["Timestamp"] - before["Timestamp"]
        share = (after["ScriptDuration"] - before["ScriptDuration"]) / span_s
        tasks = (after["TaskDuration"] - before["TaskDuration"]) / span_s
        print(
            {k: round((after[k] - before[k]) / span_s, 4) for k in after if k.endswith("Duration")}
        )
        print(f"{LIVE_UPDATES} live updates: script {share:.2%}, all tasks {tasks:.2%} of one core")
        assert share < SCRIPT_SHARE
