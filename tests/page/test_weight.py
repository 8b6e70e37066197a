"""How heavy the page is: the first load, where it comes from, its share of a core while live."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Browser

from api.http.page_files import PAGE_DIRECTORY, TEXTS_MODULE
from tests.kits.page.browser import chromium, visit
from tests.kits.page.daemon import page_bench

FIRST_LOAD_BYTES = 150_000
"""More than a third is the typeface and the library for curves. At 10 Mbit/s it takes 0.12 s."""

LIVE_UPDATES = 40
SCRIPT_SHARE = 0.05

PACKED = {".woff2"}
"""Kinds of files that are compressed already."""

TEXTS = PAGE_DIRECTORY / TEXTS_MODULE
"""The module that the server makes."""

SCRIPTS = sorted((PAGE_DIRECTORY / "js").rglob("*.js"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def imports_of(module: Path) -> set[Path]:
    if module == TEXTS:
        return set()
    text = module.read_text(encoding="utf-8")
    names = re.findall(r'^(?:import|export) [^;]*?from "(\.{1,2}/[^"]+)";', text, re.M)
    return {(module.parent / name).resolve() for name in names}


def reached_from(*modules: Path) -> set[Path]:
    """Return these modules and all that they import at once."""
    reached: set[Path] = set()
    waiting = set(modules)
    while waiting:
        module = waiting.pop()
        reached.add(module)
        waiting |= imports_of(module) - reached
    return reached


def late_modules() -> set[str]:
    """Return the addresses of the modules that the page loads some seconds after the first load."""
    late = {*SCRIPTS} - reached_from(PAGE_DIRECTORY / "js" / "main.js")
    return {module.relative_to(PAGE_DIRECTORY).as_posix() for module in late}


def test_index_names_every_module() -> None:
    """The browser asks at once for all modules of the first load, and no module lies idle."""
    index = (PAGE_DIRECTORY / "index.html").read_text(encoding="utf-8")
    named = re.findall(r'<link rel="modulepreload" href="([^"]+)">', index)
    main = PAGE_DIRECTORY / "js" / "main.js"
    reached = reached_from(main)
    assert reached - {main} == {PAGE_DIRECTORY / name for name in named}
    assert len(named) == len(set(named))
    entries = {
        (script.parent / name).resolve()
        for script in SCRIPTS
        for name in re.findall(r'import\("(\./[^"]+)"\)', script.read_text(encoding="utf-8"))
    }
    assert len(entries) == 8
    assert not entries & reached, "not part of the first load"
    assert reached | reached_from(*entries) == {*SCRIPTS, TEXTS}


def test_no_circle_of_imports() -> None:
    """Each module can be read before those that use it."""
    graph = {path: imports_of(path) - {TEXTS} for path in SCRIPTS}
    while graph:
        leaves = {module for module, needed in graph.items() if not needed & set(graph)}
        assert leaves, f"a circle of {sorted(module.name for module in graph)}"
        graph = {module: needed for module, needed in graph.items() if module not in leaves}


def test_modules_stay_readable() -> None:
    """Modules are short, begin with their purpose and never build markup or code from text."""
    assert len(SCRIPTS) > 40
    for path in SCRIPTS:
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= 300, path.name
        assert text.startswith("// "), f"{path.name} begins with its purpose"
        markup = r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|cssText"
        code = r"\beval\(|new Function|setAttribute\(\"style"
        assert not re.search(f"{markup}|{code}", text), path.name


def test_folders_stay_small() -> None:
    """About 15 files in a folder of the page."""
    folders = {path.parent for path in PAGE_DIRECTORY.rglob("*") if path.is_file()}
    assert {it.name for it in folders if len([*it.glob("*.*")]) > 15} == set()


def test_first_load_is_light(browser: Browser, tmp_path: Path) -> None:
    """All files of the first load come from the bench, in few bytes over the wire."""
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        asked: list[str] = []
        visited.page.on("request", lambda request: asked.append(request.url))
        visited.go()
        foreign = [url for url in asked if not url.startswith((bench.address, "data:"))]
        assert foreign == []
        pages = {url.partition("#")[0] for url in asked if not url.startswith("data:")}
        pages -= {f"{bench.address}{name}" for name in late_modules()}  # a slow page asks for them
        files = sorted(url for url in pages if f"{bench.address}api/" not in url)
        assert len(files) > 20
        sizes = {url: wire_bytes(url) for url in files}
        print(f"first load: {len(files)} files, {sum(sizes.values())} bytes over the wire")
        assert f"{bench.address}{TEXTS_MODULE}" in sizes
        assert sum(sizes.values()) < FIRST_LOAD_BYTES
        visited.assert_sound()


def wire_bytes(url: str) -> int:
    """Return the size of a file as a browser receives it, without the head of the answer."""
    with urlopen(Request(url, headers={"Accept-Encoding": "gzip"})) as answer:
        is_packed = Path(url).suffix in PACKED
        assert is_packed or answer.headers["Content-Encoding"] == "gzip" or url.endswith(".css")
        return len(answer.read())


def test_policy_lets_the_page_through(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path) as bench, visit(browser, bench) as visited:
        answer = visited.page.goto(bench.address)
        assert answer is not None
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        visited.page.wait_for_selector('body[data-fresh="yes"]')
        visited.assert_sound()


def test_live_costs_little(browser: Browser, tmp_path: Path) -> None:
    with page_bench(tmp_path, speed=10.0) as bench, visit(browser, bench) as visited:
        page = visited.go()
        bench.start()
        visited.state("running")
        tools = visited.context.new_cdp_session(page)
        # By the processor's time: on a busy machine the time on the wall says nothing.
        tools.send("Performance.enable", {"timeDomain": "threadTicks"})

        def metrics() -> dict[str, float]:
            return {
                entry["name"]: entry["value"]
                for entry in tools.send("Performance.getMetrics")["metrics"]
            }

        heard = "let heard = 0; const hear = () => { heard += 1; if (heard === %d) resolve(); };"
        wait = f"new Promise((resolve) => {{ {heard % LIVE_UPDATES} new MutationObserver(hear)"
        # The charge changes with each update; the depth, to 0.01 mm, does not.
        wait += (
            ".observe(document.querySelector('.readings'), { childList: true, subtree: true }); })"
        )
        began_ms = page.evaluate("performance.now()")
        before = metrics()
        page.evaluate(wait)
        after = metrics()
        span_s = (page.evaluate("performance.now()") - began_ms) / 1e3
        share = (after["ScriptDuration"] - before["ScriptDuration"]) / span_s
        tasks = (after["TaskDuration"] - before["TaskDuration"]) / span_s
        print(
            {k: round((after[k] - before[k]) / span_s, 4) for k in after if k.endswith("Duration")}
        )
        print(f"{LIVE_UPDATES} live updates: script {share:.2%}, all tasks {tasks:.2%} of one core")
        assert share < SCRIPT_SHARE
