"""Shared by all tests: nobody sleeps, nothing hangs on the machine's load, no file stays open."""

from __future__ import annotations

import sqlite3
import time  # noqa: TID251 to forbid its sleep
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.session_rules import SessionRules

settings.register_profile(
    "steady",
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "search", settings.get_profile("steady"), derandomize=False, max_examples=5000, print_blob=True
)
settings.load_profile("steady")
# "steady" draws the same examples on every machine and never looks at a clock. "search" is for
# `make search`, by hand: other examples each time, and many more.

REAL_TIME = (
    "test_page",
    "test_api",
    "test_daemon_process",
    "test_process_faults",
    "test_logbook_crash",
    "test_artwork_client",
)
"""Modules whose tests run a browser, a server or a process in real time."""


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(SessionRules())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a module on one worker, and those that run in real time all on the same."""
    for item in items:
        module = item.path.stem
        item.add_marker(
            pytest.mark.xdist_group("real time" if module.startswith(REAL_TIME) else module)
        )


@pytest.fixture(autouse=True)
def _nobody_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make time.sleep an error: tests wait on events and on virtual time."""

    def refuse(seconds: float) -> None:
        raise AssertionError(f"a test or the code under test slept {seconds} s")

    monkeypatch.setattr(time, "sleep", refuse)


@pytest.fixture(autouse=True)
def _databases_are_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail a test that leaves a connection open.

    Python 3.13 warns of one when it collects it as garbage, in whatever test that happens.
    """
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def remember(*args: Any, **kwargs: Any) -> sqlite3.Connection:
        opened.append(connect(*args, **kwargs))
        return opened[-1]

    with monkeypatch.context() as patched:
        patched.setattr(sqlite3, "connect", remember)
        yield
    assert [connection for connection in opened if is_open(connection)] == []


def is_open(connection: sqlite3.Connection) -> bool:
    try:
        return connection.total_changes >= 0
    except sqlite3.ProgrammingError:
        return False
