"""Row 9: the page's transfer and script, against an empty page with the same three plots."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from playwright.sync_api import CDPSession, Page

from api.http.page_files import PAGE_DIRECTORY
from tests.kits.page.browser import chromium, visit
from tests.kits.page.daemon import page_bench
from tests.proofs.benchmarks.table import Line, compared

UPLOT = PAGE_DIRECTORY / "vendor" / "uplot"

EMPTY = """<!doctype html><meta charset="utf-8"><title>plots</title>
<link rel="stylesheet" href="uPlot.min.css">
<script src="uPlot.iife.min.js"></script><body><p class="depth-number">0</p><script>
const number = document.querySelector(".depth-number");
const rows = [[], []];
const plots = [168, 118, 118].map((height) =>
  new uPlot(
    { width: 358, height, series: [{}, { stroke: "black" }], scales: { x: { time: false } } },
    rows, document.body));
let count = 0;
setInterval(() => {
  count += 1;
  rows[0].push(count / 240);
  rows[1].push(count / 1000);
  number.textContent = String(count);
  if (count % 4 === 0) for (const plot of plots) plot.setData(rows);
}, 250);
</script>"""
"""A new point four times a second, drawn once a second: what the page does, and nothing else."""

HEAR = """new Promise((resolve) => { let heard = 0;
new MutationObserver(() => { heard += 1; if (heard === %d) resolve(); })
.observe(document.querySelector('.depth-number'), { childList: true }); })"""


@contextmanager
def empty_page() -> Iterator[str]:
    """Serve the empty page."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            path = UPLOT / self.path.lstrip("/")
            body = path.read_bytes() if path.is_file() else EMPTY.encode()
            kinds = {".js": "text/javascript", ".css": "text/css"}
            self.send_response(200)
            self.send_header("Content-Type", kinds.get(path.suffix, "text/html"))
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


class Watched:
    """A page under the browser's own tools.

    Source: Chrome DevTools Protocol, domains Network and Performance.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self._tools: CDPSession = page.context.new_cdp_session(page)
        self.wire_bytes = 0
        self._tools.on("Network.loadingFinished", self._finished)
        self._tools.send("Network.enable")
        self._tools.send("Performance.enable")

    def _finished(self, event: dict[str, float]) -> None:
        self.wire_bytes += int(event["encodedDataLength"])

    def script_ms(self, updates: int) -> float:
        """Return the time of script for each of so many updates, ms."""
        before_s = self._script_s()
        self.page.evaluate(HEAR % updates)
        return (self._script_s() - before_s) / updates * 1e3

    def _script_s(self) -> float:
        metrics = self._tools.send("Performance.getMetrics")["metrics"]
        return next(float(entry["value"]) for entry in metrics if entry["name"] == "ScriptDuration")


def page(quick: bool) -> list[Line]:
    updates, repetitions = (12, 1) if quick else (40, 3)
    script, wire = [], []
    with (
        tempfile.TemporaryDirectory() as name,
        page_bench(Path(name), speed=10.0) as bench,
        empty_page() as address,
    ):
        bench.start()
        bench.until("running")
        with chromium() as browser:
            for _ in range(repetitions):
                with (
                    visit(browser, bench) as ours,
                    visit(browser, bench, is_paired=False) as theirs,
                ):
                    mine, empty = Watched(ours.page), Watched(theirs.page)
                    ours.go()
                    ours.state("running")
                    first_bytes = mine.wire_bytes
                    took_ms = mine.script_ms(updates)
                    ours.page.goto("about:blank")
                    theirs.page.goto(address)
                    theirs.page.wait_for_load_state("load")
                    wire.append((first_bytes / 1e3, empty.wire_bytes / 1e3))
                    script.append((took_ms, empty.script_ms(updates)))
    baseline = "empty page, three plots by uPlot alone"
    return [
        compared(9, "first load over the wire", wire, "kB", baseline),
        compared(9, "script for each live update", script, "ms", baseline),
    ]
