"""The headers of every answer.

Source: W3C Content Security Policy level 3; OWASP, secure headers (from memory).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.kits.api_client import Daemon, ask
from tests.paths import ROOT


@pytest.fixture
def app(tmp_path: Path) -> Any:
    def broken() -> object:
        raise ZeroDivisionError

    daemon = Daemon(tmp_path, guarded=True, truth=broken)
    daemon.step()
    return daemon.app


def policy_of(answer: Any) -> dict[str, list[str]]:
    parts = (part.split() for part in answer.headers["content-security-policy"].split(";"))
    return {part[0]: part[1:] for part in parts}


@pytest.mark.parametrize(
    ("method", "path", "status", "headers"),
    [
        ("GET", "/", 200, {}), ("GET", "/api/status", 200, {}), ("GET", "/nothing", 404, {}),
        ("POST", "/api/stop", 200, {}),
        ("POST", "/api/start", 401, {}), ("GET", "/api/status", 421, {"host": "elsewhere.example"}),
        ("POST", "/api/start", 403, {"origin": "http://elsewhere.example"}),
        ("GET", "/api/rehearsal", 500, {}),
        ("GET", "/api/openapi.json", 200, {}),
    ],
)  # fmt: skip
def test_safe_headers(
    app: Any, method: str, path: str, status: int, headers: dict[str, str]
) -> None:
    """Every response has the headers that keep foreign content out."""
    answer = ask(app, method, path, headers=headers)
    assert answer.status_code == status
    policy = policy_of(answer)
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == ["'self'"], (
        "no inline script, no inline style"
    )
    assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == ["'none'"]
    assert policy["form-action"] == ["'self'"]
    assert policy["img-src"] == ["'self'", "data:", "blob:"]
    assert not [
        source
        for sources in policy.values()
        for source in sources
        if "unsafe" in source or "*" in source
    ]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert "camera=()" in answer.headers["permissions-policy"]
    assert "access-control-allow-origin" not in answer.headers
    assert "server" not in answer.headers
    assert (answer.headers.get("cache-control") == "no-store") is path.startswith("/api/"), (
        "refusals, too"
    )


def test_no_inline_script_or_style() -> None:
    """What the policy forbids would be dead; found here before a browser finds it."""
    page = ROOT / "api" / "page" / "index.html"
    text = page.read_text(encoding="utf-8")
    for inline in ("<style", " style=", " onclick=", " onload=", "javascript:"):
        assert inline not in text
    for start in range(len(text)):
        if text.startswith("<script", start):
            assert " src=" in text[start : text.index(">", start)]
