"""The bench answers only to names and addresses of the machine (DNS rebinding)."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.requests import Request

from api.http.guards.host import HostGuard, address_in

OWN = ("192.0.2.7", 8420)
"""Where the request arrived. Source: RFC 5737, addresses for documentation."""


GUARD = HostGuard(
    ("Bench", "bench.local"),
    lambda: {"bench-2.local", "bench.studio.example"},
    lambda: ("http://192.0.2.7:8420/", "http://bench.local:8420/"),
)


def refused(host: str | None, server: tuple[str, int] | None = OWN) -> Any:
    headers = [] if host is None else [(b"host", host.encode("latin-1"))]
    scope = {"type": "http", "method": "GET", "path": "/", "headers": headers, "server": server}
    return GUARD.refusal(Request(scope))


@pytest.mark.parametrize(
    "host",
    [
        "bench.local:8420", "bench:8420", "BENCH.local", "bench", "localhost:8420",
        "127.0.0.1:8420", "127.0.0.1", "[::1]:8420",
        "[::1]", "192.0.2.7:8420", "192.0.2.7", "127.0.0.53",
        "bench-2.local:8420", "Bench.Studio.Example:8420",
    ],
)  # fmt: skip
def test_own_names_pass(host: str) -> None:
    assert refused(host) is None


@pytest.mark.parametrize(
    "host",
    [
        None, "", "elsewhere.example", "bench.local.elsewhere.example", "elsewhere.example:8420",
        "192.0.2.8:8420", "bench-1.local", "bench-x.local", "bench-2.local.elsewhere.example",
        "studio.example", "x.bench.studio.example", "bench.studio.example.elsewhere.example",
        "bench.local:", "bench.local:x", "bench.local:123456", "bench.local@elsewhere.example",
        "elsewhere.example#bench.local",
        "bench.local ", " bench.local", "bench.local, bench.local", "bench.local.", "[::2]", "[",
        "[]", "0.0.0.0", "2130706433",
        "127.1", "0x7f.1", "xn--bench", "b\xe9nch", "localhost.elsewhere.example", "a" * 5000,
    ],
)  # fmt: skip
def test_other_names_refused(host: str | None) -> None:
    answer = refused(host)
    assert answer is not None
    assert answer.status_code == 421


def test_arrival_address_passes() -> None:
    assert refused("[fe80::7]:8420", ("fe80::7", 8420)) is None
    assert refused("192.0.2.7", ("::ffff:192.0.2.7", 8420)) is None, (
        "a socket for both families shows IPv4 like this"
    )
    assert refused("192.0.2.7", None) is not None
    assert refused("192.0.2.7", ("198.51.100.1", 8420)) is not None


def test_browser_gets_page() -> None:
    """A person who used another name reads which addresses work. The name is not repeated."""
    headers = [(b"host", b"elsewhere.example"), (b"accept", b"text/html,*/*;q=0.8")]
    scope = {"type": "http", "method": "GET", "path": "/", "headers": headers, "server": OWN}
    answer = GUARD.refusal(Request(scope))
    assert answer is not None
    assert answer.status_code == 421
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    page = bytes(answer.body).decode()
    assert '<a href="http://192.0.2.7:8420/">' in page
    assert '<a href="http://bench.local:8420/">' in page
    assert "elsewhere" not in page
    refused_post = GUARD.refusal(Request({**scope, "method": "POST"}))
    assert refused_post is not None
    assert refused_post.headers["content-type"] == "application/problem+json"


def test_address_in_text() -> None:
    assert str(address_in("::ffff:192.0.2.7")) == "192.0.2.7"
    assert address_in("bench") is None
