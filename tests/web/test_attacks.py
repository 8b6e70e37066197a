"""Attacks on the guarded application, from the studio's network and from a foreign page."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import stat
import threading
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.access.auth import COOKIE, Access, Caller
from api.http.door import bounded_protocol
from api.http.live import LiveFeed
from api.http.tables.csv_export import csv_lines
from controller.logbook.reader import StoredEvent
from hardware.clock import SystemClock
from tests.kits.api_client import SILVER, WAIT_S, Daemon, ask, assert_problem, serve
from tests.kits.artwork.double import Measuring
from tests.kits.daemon_child import serving

HOST = "bench.local:8420"
OWN = {"origin": f"http://{HOST}"}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


def cookie_of(daemon: Daemon) -> dict[str, str]:
    return {"cookie": f"{COOKIE}={daemon.access.store.add('phone')[1]}"}


def bench_of(daemon: Daemon) -> dict[str, str]:
    return {"authorization": f"Bearer {daemon.bench_token}"}


# --- through a browser of the studio --------------------------------------------------------------


@pytest.mark.parametrize(
    "host",
    [
        *(
            "evil.example",
            "evil.example:8420",
            "bench.local.evil.example",
            "127.0.0.1.evil.example",
            "0.0.0.0",
            "192.0.2.99",
        ),
        *(
            "[::2]",
            "bench.local@evil.example",
            "bench.local, evil.example",
            "bench.local evil",
            "2130706433",
            "127.1",
            "",
        ),
    ],
)
def test_dns_rebinding_gets_nothing(daemon: Daemon, host: str) -> None:
    """DNS rebinding: the browser thinks that the attacker's page and the bench are one origin."""
    for shown in ({}, cookie_of(daemon)):
        headers = {"host": host, "origin": f"http://{host}", **shown}
        for method, path in (
            ("GET", "/"),
            ("GET", "/api/status"),
            ("POST", "/api/plan"),
            ("POST", "/api/pair"),
        ):
            assert_problem(
                ask(
                    daemon.app, method, path, headers=headers, json={} if method == "POST" else None
                ),
                421,
                "unknown-host",
            )


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        "http://bench.local",
        "http://bench.local:8420.evil.example",
        None,
    ],
)
@pytest.mark.parametrize(
    "kind",
    [
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "application/json",
    ],
)
def test_foreign_page_cannot_command(daemon: Daemon, origin: str | None, kind: str) -> None:
    """A form and fetch() in mode no-cors send the cookie and these three types.

    With JSON the browser asks first.
    """
    headers = {
        **cookie_of(daemon),
        "content-type": kind,
        **({} if origin is None else {"origin": origin}),
    }
    for path in ("/api/start", "/api/resume", "/api/pairing/new", "/api/artworks", "/api/baths"):
        answer = ask(daemon.app, "POST", path, content=b'{"metal": "fine-silver"}', headers=headers)
        assert_problem(answer, 403, "foreign-origin")


def test_no_cors(daemon: Daemon) -> None:
    """Without Access-Control-Allow-Origin a preflight fails and answers stay closed.

    Source: WHATWG Fetch, CORS protocol.
    """
    asked = {"origin": "http://evil.example", "access-control-request-method": "POST"}
    for method, path in (("OPTIONS", "/api/start"), ("GET", "/api/status"), ("POST", "/api/stop")):
        answer = ask(daemon.app, method, path, headers=asked)
        assert not [name for name in answer.headers if name.startswith("access-control-")]
    assert ask(daemon.app, "OPTIONS", "/api/start", headers=asked).status_code == 405


def test_foreign_page_can_only_stop(daemon: Daemon) -> None:
    """The worst that a foreign page can do is to open the relay."""
    answer = ask(
        daemon.app,
        "POST",
        "/api/stop",
        headers={"host": "evil.example", "origin": "http://evil.example"},
    )
    assert answer.status_code == 200
    assert answer.json()["relay_on"] is False


SCRIPT = '<script>alert(1)</script>"><img src=x onerror=alert(1)>'


def test_user_text_is_never_html(daemon: Daemon) -> None:
    """User text comes back as JSON that no browser shows as a page."""
    answers = [
        ask(daemon.app, "GET", f"/api/{SCRIPT}"),
        ask(daemon.app, "GET", f"/{SCRIPT}"),
        ask(daemon.app, "GET", "/api/runs", params={"search": SCRIPT}),
        ask(
            daemon.app,
            "POST",
            "/api/plan",
            json={**SILVER, "piece": SCRIPT},
            headers=bench_of(daemon),
        ),
        ask(daemon.app, "POST", "/api/pair", json={"pin": SCRIPT, "name": SCRIPT}, headers=OWN),
        ask(
            daemon.app,
            "POST",
            "/api/artworks",
            params={"name": SCRIPT},
            headers={**bench_of(daemon), "content-type": "text/html"},
        ),
    ]
    for answer in answers:
        assert answer.headers["content-type"] in ("application/json", "application/problem+json"), (
            answer.request.url
        )
        assert answer.headers["x-content-type-options"] == "nosniff"
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy


def test_uploads_are_not_served(daemon: Daemon) -> None:
    """An SVG with a script in it would run in the bench's own origin."""
    document = ask(daemon.app, "GET", "/api/openapi.json").json()
    answers = [
        operation["responses"]["200"]
        for methods in document["paths"].values()
        for kind, operation in methods.items()
        if kind == "get"
    ]
    kinds = {kind for answer in answers for kind in answer.get("content", {})}
    assert kinds == {
        "application/json", "text/csv", "text/event-stream", "image/png", "text/plain",
        "application/zip",  # a backup, as a download
        "application/octet-stream",  # the field of a plate, for the page's pictures
    }  # fmt: skip


# --- from a machine on the network ----------------------------------------------------------------


def test_guessing_from_many_addresses(daemon: Daemon) -> None:
    """IPv4, IPv6 of one network and of many: after the first wrong PIN everybody has to wait."""
    wrong = "000000" if daemon.access.pins.pin != "000000" else "000001"
    addresses = [f"10.0.{n // 250}.{n % 250 + 1}" for n in range(50)]
    addresses += [f"fe80::{n:x}" for n in range(50)] + [f"2001:db8:{n:x}::1" for n in range(50)]
    statuses = [
        ask(
            daemon.app, "POST", "/api/pair", json={"pin": wrong, "name": "x"},
            client=(address, 4000 + n),
            headers={
                **OWN, "x-forwarded-for": f"198.51.100.{n}", "forwarded": f"for=198.51.100.{n}"
            },
        ).status_code
        for n, address in enumerate(addresses)
    ]  # fmt: skip
    assert statuses == [403, *[429] * 149]


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/../pyproject.toml",
            "/%2e%2e/%2e%2e/pyproject.toml",
            "/..%2f..%2fpyproject.toml",
            "//etc/passwd",
            "/js/../../auth.py",
        ),
        *(
            "/api/artworks/../../bench-token",
            "/api/artworks/..%2f..%2fbench-token",
            "/api/artworks/%2e%2e%2f",
            "/%00",
        ),
        *(
            "/js/%2e%2e%5cauth.py",
            "/api/baths/..%2f..%2fbench-token",
            "/api/runs/..%2f..%2fbench-token",
        ),
        "/api/runs/%27%20OR%201=1--/events?format=csv",
    ],
)
def test_no_path_leads_out(daemon: Daemon, path: str) -> None:
    """As raw bytes: clients would put the path in order first."""
    with (
        serve(daemon.app) as address,
        socket.create_connection(("127.0.0.1", int(address.rsplit(":", 1)[1])), WAIT_S) as raw,
    ):
        raw.sendall(
            f"GET {path} HTTP/1.1\r\nHost: bench.local\r\nConnection: close\r\n"
            f"Authorization: Bearer {daemon.bench_token}\r\n\r\n".encode()
        )
        answer = b""
        while piece := raw.recv(65536):
            answer += piece
    assert answer.split()[1] in (b"404", b"422", b"400"), answer[:200]
    assert daemon.bench_token.encode() not in answer
    assert b"[project]" not in answer
    assert b"root:" not in answer


def test_log_has_no_secrets(
    daemon: Daemon, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """The log has no secret and no forged line."""
    caplog.set_level(logging.DEBUG)
    pairing = ask(
        daemon.app,
        "POST",
        "/api/pair",
        json={"pin": daemon.access.pins.pin, "name": "phone"},
        headers=OWN,
    )
    token = pairing.cookies[COOKIE]
    for headers in (
        bench_of(daemon),
        {"cookie": f"{COOKIE}={token}", **OWN},
        {"authorization": f"Bearer {token}"},
    ):
        ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=headers)
        ask(daemon.app, "GET", "/api/pairing", headers=headers)
    ask(daemon.app, "POST", "/api/pair", json={"pin": "000000", "name": "x"}, headers=OWN)
    for secret in (token, daemon.bench_token, daemon.access.pins.pin):
        assert secret not in caplog.text

    def broken() -> object:
        raise ZeroDivisionError

    failing = Daemon(tmp_path / "failing")
    failing.app.add_api_route("/api/fails/{name}", broken)
    failing.app.router.routes.insert(0, failing.app.router.routes.pop())
    assert ask(failing.app, "GET", "/api/fails/a%0Abiteclock: all is well").status_code == 500
    failing.close()
    ours = [record.getMessage() for record in caplog.records if record.name == "biteclock"]
    assert ours
    assert not [message for message in ours if "\n" in message]


def test_revoked_device_sees_nothing(tmp_path: Path) -> None:
    """Its stream ends with the next message, not with its connection."""
    access = Access(tmp_path, SystemClock(), view_needs_pairing=True)
    kept, gone = access.store.add("kept")[0], access.store.add("gone")[0]
    feed = LiveFeed(lambda: (_ for _ in ()).throw(AssertionError("not asked here")))
    feed.greeting = lambda: b"greeting"  # type: ignore[method-assign]

    async def watch() -> None:
        streams = {
            device: feed.messages(lambda device=device: access.may_still_view(Caller(device)))
            for device in (kept, gone)
        }
        for stream in streams.values():
            assert await anext(stream) == b"greeting"
        feed._publish(b"one")
        assert [await anext(stream) for stream in streams.values()] == [b"one", b"one"]
        access.store.revoke(gone.pairing_id)
        feed._publish(b"two")
        assert await anext(streams[kept]) == b"two"
        with pytest.raises(StopAsyncIteration):
            await anext(streams[gone])

    asyncio.run(watch())
    assert access.may_still_view(None), "somebody on the Pi itself"
    assert Access(tmp_path, SystemClock()).may_still_view(Caller(gone)), "looking is open here"


def test_stalled_reader_is_dropped(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of answers are requested on one connection and none is read.

    The limit of thirty seconds is shortened.
    """
    monkeypatch.setattr(bounded_protocol, "STALL_S", 0.2)
    lost, forget = threading.Event(), bounded_protocol.BoundedProtocol.connection_lost

    def noted(protocol: Any, error: Exception | None) -> None:
        forget(protocol, error)
        lost.set()

    monkeypatch.setattr(bounded_protocol.BoundedProtocol, "connection_lost", noted)
    with serve(daemon.app) as address, socket.socket() as greedy:
        greedy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        greedy.settimeout(WAIT_S)
        greedy.connect(("127.0.0.1", int(address.rsplit(":", 1)[1])))
        greedy.sendall(b"GET /api/openapi.json HTTP/1.1\r\nHost: bench.local\r\n\r\n" * 100)
        assert lost.wait(WAIT_S), "it holds its place"


# --- what is kept and handed out ------------------------------------------------------------------


@pytest.mark.parametrize("text", ["bronze;=1+1", "a\t=cmd|' /C calc'!A0", 'quote ";=1+1', "x|=1"])
def test_separators_stay_in_cells(
    text: str,
) -> None:
    """No cell becomes two in a spreadsheet with another separator."""
    event = StoredEvent(1, "2031-03-04T10:00:00Z", 0.0, "note", text, None)
    line = "".join(csv_lines([[event]], StoredEvent)).split("\r\n")[1]
    assert '"' + text.replace('"', '""') + '"' in line


def test_state_directory_is_private(
    tmp_path: Path,
) -> None:
    """Everything in the state directory is private under every umask."""
    before = os.umask(0)
    try:
        with serving(tmp_path, 30.0) as process:
            process.running()
            found = [
                path
                for path in tmp_path.rglob("*")
                if not path.is_dir() and stat.S_IMODE(path.stat().st_mode) & 0o077
            ]
            names = {path.name for path in tmp_path.rglob("*")}
    finally:
        os.umask(before)
    assert {"bench-token", "biteclock.sqlite", "biteclock.sqlite-wal", "artworks"} <= names
    assert not found, found


def bomb_png() -> bytes:
    """40 000 x 40 000 pixels of one colour in a few kB."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")
        )

    side = 40_000
    head = side.to_bytes(4, "big") * 2 + bytes([8, 0, 0, 0, 0])
    rows = zlib.compress(bytes(side + 1) * 200, 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


BOMBS: dict[str, tuple[str, bytes]] = {
    "png": ("image/png", bomb_png()),
    "entities": (
        "image/svg+xml",
        b'<?xml version="1.0"?><!DOCTYPE s [<!ENTITY a "aaaaaaaaaa">'
        + b"".join(
            f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">'.encode() for n in range(9)
        )
        + b']><svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm">'
        + b"<text>&j;</text></svg>",
    ),
    "outside": (
        "image/svg+xml",
        b'<svg xmlns="http://www.w3.org/2000/svg" xmlns:x="http://www.w3.org/1999/xlink" '
        b'width="10mm" height="10mm">'
        b'<image x:href="file:///etc/passwd" width="10" height="10"/></svg>',
    ),
    "huge": (
        "image/svg+xml",
        b'<svg xmlns="http://www.w3.org/2000/svg" width="9000000mm" height="9000000mm">'
        b'<rect width="1" height="1"/></svg>',
    ),
    "nested": (
        "image/svg+xml",
        b'<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm">' + b"<g>" * 200_000,
    ),
    "pdf": (
        "application/pdf",
        b"%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 1 0 R/Kids[1 0 R]/Count 99999999>>endobj\n"
        b"trailer<</Root 1 0 R>>",
    ),
}


@pytest.mark.parametrize("name", BOMBS)
def test_image_bomb_is_refused(daemon: Daemon, name: str, tmp_path: Path) -> None:
    """An image bomb is refused, and the daemon keeps running."""
    kind, content = BOMBS[name]
    answer = ask(
        daemon.app, "POST", "/api/artworks", content=content,
        params={"dpi": 600.0} if name == "png" else {},
        headers={**bench_of(daemon), "content-type": kind},
    )  # fmt: skip
    assert answer.status_code == 422, answer.text
    assert str(tmp_path) not in answer.text
    assert "root:" not in answer.text
    assert not list((tmp_path / "artworks").glob("incoming-*"))
    assert ask(daemon.app, "GET", "/api/status").status_code == 200


def test_file_names_lead_nowhere(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path / "state", guarded=True, measure=Measuring())
    before = set(tmp_path.rglob("*"))
    answer: Any = ask(
        daemon.app, "POST", "/api/artworks", content=b"\x89PNG\r\n\x1a\n",
        params={"name": "../../../evil.png"},
        headers={**bench_of(daemon), "content-type": "image/png"},
    )  # fmt: skip
    assert answer.status_code in (201, 422)
    new = {path.relative_to(tmp_path).as_posix() for path in {*tmp_path.rglob("*")} - before}
    assert not [path for path in new if "evil" in path or not path.startswith("state/artworks/")]
    daemon.close()
