"""Methods that no address takes: refused to everybody, and for Stop too."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.requests import Request

from api.http.guards import method as guard_method
from api.http.guards.method import MethodGuard
from tests.kits.api_client import Daemon, ask, assert_problem


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


@pytest.mark.parametrize("method", ["TRACE", "PUT", "PATCH", "DELETE", "CONNECT", "NOTHING"])
@pytest.mark.parametrize(
    ("path", "allow"),
    [
        ("/api/stop", "POST"),
        ("/api/access", "GET"),
        ("/api/baths", "GET, POST"),
        ("/", "GET, HEAD"),
    ],
)
def test_unknown_methods(daemon: Daemon, method: str, path: str, allow: str) -> None:
    answer = ask(daemon.app, method, path)
    assert_problem(answer, 405, "wrong-method")
    assert answer.headers["allow"] == allow
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_wrong_method_before_pairing(daemon: Daemon) -> None:
    for path in ("/api/status", "/api/access", "/"):
        assert ask(daemon.app, "GET", path).status_code == 200, (
            "what is known to be taken is known of this method only"
        )
        assert_problem(ask(daemon.app, "POST", path), 405, "wrong-method")


def test_unknown_address(daemon: Daemon) -> None:
    assert_problem(ask(daemon.app, "DELETE", "/api/nothing"), 401, "pairing-needed")
    paired = {"authorization": f"Bearer {daemon.bench_token}"}
    assert_problem(ask(daemon.app, "DELETE", "/api/nothing", headers=paired), 404, "nothing-here")


def test_host_comes_first(daemon: Daemon) -> None:
    assert_problem(
        ask(daemon.app, "PUT", "/api/baths", headers={"host": "evil.example"}), 421, "unknown-host"
    )


def test_memory_is_bounded() -> None:
    """The memory of addresses is bounded, and no client can fill it for the others."""
    guard = MethodGuard()

    def ask_for(path: str) -> None:
        assert (
            guard.refusal(Request({"type": "http", "method": "GET", "path": path, "headers": []}))
            is None
        )

    ask_for("/" + "a" * 100_000)
    assert not guard._taken, (
        "one long address is no great harm, some hundred of them were 48 MB for good"
    )
    for number in range(2 * guard_method.MOST_KNOWN):
        ask_for(f"/nothing-{number}")
        assert len(guard._taken) <= guard_method.MOST_KNOWN
    ask_for("/")
    assert ("GET", "/") in guard._taken
