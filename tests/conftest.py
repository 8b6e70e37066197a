"""Shared by all tests: nobody sleeps; which tests may run beside each other."""

from __future__ import annotations

import time  # noqa: TID251 to forbid its sleep

import pytest

REAL_TIME = (
    "test_page", "test_api", "test_bench_rig_process", "test_daemon_process", "test_process_faults", "test_logbook_crash",
    "test_artwork_client",
)  # fmt: skip
"""Modules whose tests run a browser, a server or a process in real time: one after the other, on one worker."""


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
