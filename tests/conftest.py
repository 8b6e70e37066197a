"""Shared by all tests: nobody sleeps."""

from __future__ import annotations

import time  # noqa: TID251 to forbid its sleep

import pytest


@pytest.fixture(autouse=True)
def _nobody_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make time.sleep an error: tests wait on events and on virtual time."""

    def refuse(seconds: float) -> None:
        raise AssertionError(f"a test or the code under test slept {seconds} s")

    monkeypatch.setattr(time, "sleep", refuse)
