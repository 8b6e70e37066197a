"""Chromium for the page's tests: visits that collect flaws, axe-core, and pictures."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.kits.page.daemon import ROOT, PageBench

PHONE, DESK = (390, 844), (1440, 900)

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=user-gesture-required",
]

PATIENCE_MS = 60_000
"""A bound on hanging, not a speed."""

expect.set_options(timeout=PATIENCE_MS)

AXE = (ROOT / "tests" / "vendor" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")

PICTURES = ROOT / "out" / "screenshots"

_WATCH = """
window.flaws = { shift: 0, shifts: [], policy: [] };
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    if (entry.hadRecentInput) continue;
    flaws.shift += entry.value;
    const of = (r) => `${r.x},${r.y} ${r.width}x${r.height}`;
    const places = entry.sources.map((s) => {
      const name = s.node && (s.node.className || s.node.id || s.node.nodeName);
      return `${name} ${of(s.previousRect)} -> ${of(s.currentRect)}`;
    });
    const when = `${entry.value.toFixed(4)} at ${Math.round(entry.startTime)} ms`;
    flaws.shifts.push(`${when} ${places.join("; ")}`);
  }
}).observe({ type: "layout-shift", buffered: true });
document.addEventListener("securitypolicyviolation", (event) => {
  flaws.policy.push(`${event.violatedDirective} ${event.blockedURI}`);
});
"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run the system's Chromium."""
    path = (
        shutil.which("chromium")
        or shutil.which("chromium-browser")
        or shutil.which("google-chrome")
    )
    assert path is not None, "the page's tests need Chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """A page in a separate browser, like one phone."""

    def __init__(self, context: BrowserContext, bench: PageBench) -> None:
        self.context = context
        self.bench = bench
        self.complaints: list[str] = []
        self._expected: set[str] = set()
        context.add_init_script(_WATCH)
        self.page: Page = context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.on(
            "console",
            lambda message: self._note(message.type, f"{message.location['url']}: {message.text}"),
        )
        self.page.on("pageerror", lambda error: self.complaints.append(f"uncaught: {error}"))

    def _note(self, kind: str, text: str) -> None:
        if kind in ("error", "warning") and not any(
            text.endswith(f"({phrase})") for phrase in self._expected
        ):
            self.complaints.append(f"{kind}: {text}")

    def expect_refusal(self, phrase: str) -> None:
        """Chromium writes every refused request to the console; this one is part of the test."""
        self._expected.add(phrase)

    def go(self, screen: str = "now") -> Page:
        """Open a screen and wait until the page is live."""
        self.page.goto(f"{self.bench.address}#{screen}")
        self.page.wait_for_selector('body[data-fresh="yes"]')
        return self.page

    def state(self, *states: str) -> None:
        """Wait until the page shows one of the states."""
        self.page.wait_for_selector(", ".join(f'body[data-state="{state}"]' for state in states))

    def assert_sound(self) -> None:
        """Nothing on the console, nothing that the policy forbids, nothing that moved by itself."""
        flaws = self.page.evaluate("flaws")
        assert self.complaints == [], self.complaints
        assert flaws["policy"] == []
        assert flaws["shift"] == 0, flaws["shifts"]

    def axe(self) -> list[str]:
        """Return what axe-core finds on the screen: WCAG 2.2 A and AA, and its best practices."""
        if not self.page.evaluate("'axe' in window"):
            self.page.evaluate(AXE)
        found = self.page.evaluate("axe.run({ resultTypes: ['violations'] })")
        return [
            f"{rule['id']}: {node['html'][:160]} | {node['failureSummary']}"
            for rule in found["violations"]
            for node in rule["nodes"]
        ]

    def picture(self, name: str) -> None:
        """Take a picture of what is seen, for the README."""
        PICTURES.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=PICTURES / f"{name}.png", animations="disabled", caret="hide")


@contextmanager
def visit(
    browser: Browser,
    bench: PageBench,
    size: tuple[int, int] = PHONE,
    *,
    scheme: Any = "light",
    is_paired: bool = True,
    **more: Any,
) -> Iterator[Visit]:
    """Visit the daemon with a separate browser."""
    width, height = size
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme=scheme,
        has_touch=size == PHONE,
        locale="en-GB",
        timezone_id=os.environ.get("TZ") or "UTC",
        **more,
    )
    if is_paired:
        context.add_cookies([bench.cookie])
    try:
        yield Visit(context, bench)
    finally:
        context.close()
