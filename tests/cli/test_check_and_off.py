"""``check`` and ``off``, with a daemon and without one."""

from __future__ import annotations

import io
from email.message import Message
from typing import Any
from urllib.error import HTTPError

import pytest

from api.cli import check as cli_check
from api.cli import client as cli_client
from api.cli.client import ApiClient, ApiRefusedError, NoDaemonError
from tests.kits.cli_kit import Command

CHECK, OFF = Command("check"), Command("off")


def test_direct_check() -> None:
    """The rig is opened here; the relay stays off."""
    report = CHECK.json_of("--direct", "--rig", "rehearsal")
    assert report["passed"] is True
    assert report["relay_on"] is False
    names = [item["name"] for item in report["items"]]
    assert names == ["sensor", "relay output", "zero offset", "cell voltage"]
    assert "ok   zero offset" in CHECK.call("--direct", "--rig", "rehearsal").output


def test_check_without_daemon() -> None:
    assert CHECK.refused_key("--port", "9") == "command_line.client.no_daemon"


class Daemon:
    """Stands in for the client of a daemon.

    :param response: what it answers, or the error that it raises.
    """

    def __init__(self, response: Any) -> None:
        self._response = response

    def post(self, path: str) -> Any:
        assert path == "/api/stop"
        if isinstance(self._response, Exception):
            raise self._response
        return self._response


def test_off_asks_daemon(monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon's sentence says that the relay is off; it is not said twice."""
    daemon = Daemon({"relay_on": False, "message": "The relay is off. The rig is idle."})
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: daemon)
    assert OFF.call().output == "The relay is off. The rig is idle.\n"


def test_off_with_relay_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon accepts the stop, but the relay stays on: exit status 2."""
    daemon = Daemon({"relay_on": True, "message": ""})
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: daemon)
    assert "pull the supply's plug" in OFF.usage_error()


def test_off_with_unread_relay(monkeypatch: pytest.MonkeyPatch) -> None:
    """A relay output that cannot be read is not reported as off: exit status 2."""
    daemon = Daemon({"relay_on": None, "message": "Pull the plug: the relay cannot be read."})
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: daemon)
    assert "plug" in OFF.usage_error().lower()


@pytest.mark.parametrize("error", [NoDaemonError("none"), ApiRefusedError("broken")])
def test_off_without_daemon(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    executed: list[list[str]] = []
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: Daemon(error))
    monkeypatch.setattr(
        cli_check.os, "execv", lambda _program, arguments: executed.append(arguments[1:])
    )
    OFF.call()
    OFF.call("--pin", "GPIO22", "--pin", "GPIO23")
    assert executed == [
        ["-m", "hardware.force_off", "--pin", "GPIO17"],
        ["-m", "hardware.force_off", "--pin", "GPIO22", "--pin", "GPIO23"],
    ]


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

    def refuse(request: Any, **_options: Any) -> None:
        raise HTTPError(request.full_url, 409, "Conflict", Message(), io.BytesIO(body))

    monkeypatch.setattr(cli_client, "urlopen", refuse)
    with pytest.raises(ApiRefusedError) as error:
        ApiClient("http://127.0.0.1:9").post("/api/start")
    assert (error.value.kind, error.value.message.key) == (kind, key)
