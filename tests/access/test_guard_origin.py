"""Commands of foreign pages are refused: by origin, cookie without origin, type of the body."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.requests import Request

from api.access.auth import COOKIE
from api.http.guards.origin import OriginGuard

JSON = {"content-type": "application/json"}


def refused(
    method: str = "POST", path: str = "/api/start", host: str = "bench.local:8420", **headers: str
) -> Any:
    named = {"host": host, **{name.replace("_", "-"): value for name, value in headers.items()}}
    raw = [(name.encode(), value.encode()) for name, value in named.items()]
    scope = {
        "type": "http", "method": method, "path": path, "headers": raw, "query_string": b"",
        "scheme": "http",
        "server": ("192.0.2.7", 8420), "root_path": "",
    }  # fmt: skip
    answer = OriginGuard().refusal(Request(scope))
    return None if answer is None else answer.status_code


@pytest.mark.parametrize(
    "origin", ["http://bench.local:8420", "https://bench.local:8420", "http://BENCH.local:8420"]
)
def test_own_page_passes(origin: str) -> None:
    assert refused(origin=origin, content_type="application/json", content_length="2") is None
    assert refused(origin=origin, cookie=f"{COOKIE}=x") is None


@pytest.mark.parametrize(
    "origin",
    [
        "http://elsewhere.example", "http://bench.local", "http://bench.local:8421",
        "http://bench.local:8420.elsewhere.example",
        "null", "", "bench.local:8420", "//bench.local:8420", "file://bench.local:8420",
        "http://user@bench.local:8420",
        "http://[", "chrome-extension://bench.local:8420", "http://192.0.2.7:8420",
    ],
)  # fmt: skip
def test_other_pages_refused(origin: str) -> None:
    assert refused(origin=origin, content_type="application/json") == 403


def test_empty_host() -> None:
    assert refused(host="", origin="http://") == 403


def test_program_without_origin() -> None:
    assert refused(content_type="application/json") is None
    assert refused(authorization="Bearer x") is None
    assert refused(cookie="other=1") is None
    assert refused(cookie=f"{COOKIE}=x", content_type="application/json") == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "POST", "BREW"])
def test_unsafe_methods_checked(method: str) -> None:
    assert refused(method, origin="http://elsewhere.example") == 403


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_safe_methods_pass(method: str) -> None:
    assert refused(method, origin="http://elsewhere.example", content_type="text/plain") is None


@pytest.mark.parametrize(
    "kind",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "json"],
)
def test_form_bodies_refused(kind: str) -> None:
    assert refused(content_type=kind) == 415
    assert refused(content_type=kind, content_length="5") == 415


def test_untyped_body() -> None:
    assert refused(content_length="5") == 415
    assert refused(transfer_encoding="chunked") == 415
    assert refused(content_length="0") is None
    assert refused() is None
    assert refused(content_type="Application/JSON ; charset=utf-8", content_length="5") is None


def test_artwork_type() -> None:
    assert refused(path="/api/artworks", content_type="image/png", content_length="5") is None
    assert (
        refused(path="/api/artworks", content_type="image/png", origin="http://elsewhere.example")
        == 403
    )
    for path in ("/api/artworks/x", "/api/artworks/", "/api/start"):
        assert refused(path=path, content_type="image/png") == 415
