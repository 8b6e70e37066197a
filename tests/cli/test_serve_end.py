"""``serve``: its exit status when the daemon has ended."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

import api.main as root
from tests.kits.cli_kit import Command

SERVE = Command("serve")


@pytest.mark.parametrize(("reads_on", "expected"), [(True, 1), (False, 0)])
def test_status_when_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reads_on: bool, expected: int
) -> None:
    """A relay that still reads on is a failure, which service managers and scripts see."""
    gate = SimpleNamespace(reads_on=lambda: reads_on)
    daemon = SimpleNamespace(
        address="http://127.0.0.1:9/",
        rig=SimpleNamespace(kind="rehearsal", gate=gate),
        pairing_code=SimpleNamespace(without_pin=lambda: "no PIN"),
        run=lambda: None,
    )
    monkeypatch.setattr(root, "Daemon", lambda *_given: daemon)
    result = SERVE.call("--rig", "rehearsal", "--state-directory", tmp_path)
    assert result.exit_code == expected, result.output
    assert ("pull" in result.output.lower()) is reads_on
