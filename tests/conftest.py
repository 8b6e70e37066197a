"""Shared by all tests: nobody sleeps, nothing hangs on the machine's load, no file stays open."""

from __future__ import annotations

import sqlite3
import time  # noqa: TID251 to forbid its sleep
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from api.cli import location
from tests.kits.logbook_kit import closing_logbooks
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

WAITING = (
    "page_screens", "page_gloves", "page_live", "process_faults", "page_trip", "page_paper",
    "page_whole_job", "page_pseudo_language", "page_drawn", "page_weight", "page_artwork",
)  # fmt: skip
BUSY = (
    "install_update", "campaign_slice", "cli_artwork", "level_set", "whole_run",
    "web_schemathesis", "soak_slice", "running_faults", "artwork_accuracy", "trends_quiet",
    "physics_learning",
)  # fmt: skip
FIRST = [name for pair in zip(WAITING, BUSY, strict=True) for name in pair]
"""Modules that take longest, by the end of their names: one that waits beside one that computes."""


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(SessionRules())
    config.option.loadscopereorder = False  # pytest-xdist would begin with the most numerous


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a module on one worker, and begin with the modules that take longest.

    Each module has its own daemons, browsers and ports, so that any two may run side by side.
    """

    def turn(item: pytest.Item) -> int:
        name = name_of(item.path)
        matches = (n for n, end in enumerate(FIRST) if name == end or name.endswith(f"_{end}"))
        return next(matches, len(FIRST))

    for item in items:
        item.add_marker(pytest.mark.xdist_group(name_of(item.path)))
    items.sort(key=turn)


def name_of(path: Path) -> str:
    """Return a module's name: page_live of page/test_live.py and of test_page_live.py."""
    inside = path.relative_to(Path(__file__).parent).with_suffix("")
    return "_".join(part.removeprefix("test_") for part in inside.parts)


@pytest.fixture(autouse=True)
def _nobody_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make time.sleep an error: tests wait on events and on virtual time."""

    def refuse(seconds: float) -> None:
        raise AssertionError(f"a test or the code under test slept {seconds} s")

    monkeypatch.setattr(time, "sleep", refuse)


@pytest.fixture(autouse=True)
def _no_bench_is_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no command find the configuration of this machine."""
    for name in (location.CONFIG_VARIABLE, location.STATE_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(location, "INSTALLED_CONFIG", Path("/nowhere/biteclock.toml"))


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

    with monkeypatch.context() as patched, closing_logbooks():
        patched.setattr(sqlite3, "connect", remember)
        yield
    assert [connection for connection in opened if is_open(connection)] == []


def is_open(connection: sqlite3.Connection) -> bool:
    try:
        return connection.total_changes >= 0
    except sqlite3.ProgrammingError:
        return False
