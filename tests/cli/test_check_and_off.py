"""``check`` with a daemon and without one, and the client of both."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from email.message import Message
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any
from urllib.error import HTTPError
from urllib.request import OpenerDirector

import pytest

from api import direct
from api.cli import check as cli_check
from api.cli.client import ApiClient, ApiRefusedError, NoDaemonError
from tests.kits.cli_kit import Command

CHECK = Command("check")


def test_direct_check() -> None:
    """The rig is opened here; the relay stays off."""
    report = CHECK.json_of("--direct", "--rig", "rehearsal")
    assert report["passed"] is True
    assert report["relay_on"] is False
    names = [item["name"] for item in report["items"]]
    assert names == ["sensor", "relay output", "zero offset", "cell voltage"]
    assert "ok   zero offset" in CHECK.call("--direct", "--rig", "rehearsal").output


def test_direct_check_leaves_panel(monkeypatch: pytest.MonkeyPatch) -> None:
    """It moves no output of the panel. The second contactor could let current through a weld."""
    followed: list[object] = []
    panel = type("Panel", (), {"follow": lambda _self, *what: followed.append(what)})()
    open_rig = direct.open_rig
    monkeypatch.setattr(
        direct, "open_rig", lambda *parts: replace(open_rig(*parts), followers=(panel,))
    )
    assert CHECK.json_of("--direct", "--rig", "rehearsal")["passed"] is True
    assert followed == []


def test_check_without_daemon() -> None:
    """Nobody answers: that is not well, and no bad usage."""
    result = CHECK.call("--port", "9")
    assert result.exit_code == 1
    assert "no biteclock answers at http://127.0.0.1:9" in result.output


def test_failed_check(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rig that is not in order: exit status 1."""
    report = {"passed": False, "items": [], "host_notes": [], "not_proven": [], "message": "no"}
    daemon = type("Client", (), {"get": lambda _self, _path: report})()
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: daemon)
    assert CHECK.call("--port", "9").exit_code == 1


def test_check_without_configuration() -> None:
    """Nothing is installed: neither port nor pin is guessed, and the way to give them is named."""
    assert "give --port or --config" in CHECK.usage_error()
    assert "pin would be a guess: give --config" in CHECK.usage_error("--direct")


@pytest.mark.parametrize(
    ("body", "kind", "key"),
    [
        (
            b'{"type": "/problems/wrong-state", "detail": "not now"}',
            "/problems/wrong-state",
            "command_line.client.refused",
        ),
        (b"{}", None, "command_line.client.failed"),
        (b"[]", None, "command_line.client.failed"),
        (b"<html>", None, "command_line.client.failed"),
    ],
)
def test_client_reads_problem(
    monkeypatch: pytest.MonkeyPatch, body: bytes, kind: str | None, key: str
) -> None:
    """A refusal carries the kind of the problem, so that nobody needs to read its text."""

    def refuse(_opener: Any, request: Any, **_options: Any) -> None:
        raise HTTPError(request.full_url, 409, "Conflict", Message(), io.BytesIO(body))

    monkeypatch.setattr(OpenerDirector, "open", refuse)
    with pytest.raises(ApiRefusedError) as error:
        ApiClient("http://127.0.0.1:9").post("/api/start")
    assert (error.value.kind, error.value.message.key) == (kind, key)


@pytest.mark.parametrize("body", [b"<html>", b"[", b"\xff"])
def test_no_json_is_no_daemon(monkeypatch: pytest.MonkeyPatch, body: bytes) -> None:
    """Another program answers on the port."""
    monkeypatch.setattr(OpenerDirector, "open", lambda *_a, **_named: io.BytesIO(body))
    with pytest.raises(NoDaemonError):
        ApiClient("http://127.0.0.1:9").post("/api/stop")


class Anything(BaseHTTPRequestHandler):
    """Answers Stop as a daemon does."""

    def do_POST(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b'{"relay_on": false}')

    def log_message(self, *_what: Any) -> None:
        pass


@pytest.mark.parametrize("name", ["http_proxy", "HTTP_PROXY"])
def test_no_proxy_between(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A proxy in the environment must not keep Stop from a daemon on the same machine."""
    monkeypatch.setenv(name, "http://127.0.0.1:9")
    monkeypatch.setenv("no_proxy", "")
    with HTTPServer(("127.0.0.1", 0), Anything) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            client = ApiClient(f"http://127.0.0.1:{server.server_port}")
            assert client.post("/api/stop") == {"relay_on": False}
        finally:
            server.shutdown()
            thread.join()
