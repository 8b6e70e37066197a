"""The messenger through the API: for paired devices, and without a secret."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kits.api_client import Daemon, ask, assert_problem
from tests.kits.messenger_kit import SECRET, messenger, receiving, write_settings

ADDRESSES = [("GET", "/api/messages"), ("POST", "/api/messages/test")]


def daemon_of(directory: Path, *, guarded: bool = True) -> Daemon:
    socket = str(directory / "events.sock")
    return Daemon(directory / "state", guarded=guarded, tables={"messages": {"socket": socket}})


def asked(daemon: Daemon, method: str, path: str) -> dict[str, object]:
    headers = {"Authorization": f"Bearer {daemon.bench_token}"}
    answer = ask(daemon.app, method, path, headers=headers)
    assert answer.status_code == 200, answer.text
    found: dict[str, object] = answer.json()
    return found


@pytest.mark.parametrize("guarded", [True, False])
@pytest.mark.parametrize(("method", "path"), ADDRESSES)
def test_for_paired_devices_only(tmp_path: Path, method: str, path: str, guarded: bool) -> None:
    """A guest neither sends a test nor learns which services are used, from the Pi itself too.

    The route does not rely on a guard.
    """
    daemon = daemon_of(tmp_path, guarded=guarded)
    assert_problem(ask(daemon.app, method, path), 401, "pairing-needed")
    daemon.close()


@pytest.mark.parametrize(("method", "path"), ADDRESSES)
def test_not_set_up_says_how(tmp_path: Path, method: str, path: str) -> None:
    daemon = daemon_of(tmp_path)
    answer = asked(daemon, method, path)
    assert (answer["is_set_up"], answer["is_well"], answer["services"]) == (False, False, [])
    assert "Write /etc/biteclock/messages.toml" in str(answer["message"])
    daemon.close()


@pytest.mark.parametrize(
    ("status", "message", "line"),
    [
        (200, "Messages reach you.", "json (address 1): sent"),
        (
            403,
            "Not every message got through. Check the services.",
            "json (address 1): the service refused it with status 403",
        ),
    ],
)
def test_test_message(tmp_path: Path, status: int, message: str, line: str) -> None:
    """The answer to a test says what happened, and the state repeats it."""
    daemon = daemon_of(tmp_path)
    with receiving(status) as receiver:
        write_settings(tmp_path / "messages.toml", receiver.url)
        with messenger(tmp_path):
            tested = asked(daemon, "POST", "/api/messages/test")
            state = asked(daemon, "GET", "/api/messages")
        assert receiver.next()["title"] == "biteclock"
    assert tested == state
    assert (tested["message"], tested["is_well"]) == (message, status == 200)
    (service,) = tested["services"]  # type: ignore[misc]
    assert service["line"] == line
    assert SECRET not in str(tested)
    daemon.close()
