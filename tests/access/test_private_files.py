"""Files that only their owner may read, written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from api.access.private_files import write_private


def test_owner_only(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        write_private(tmp_path / "secret", "one")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "secret").stat().st_mode) == 0o600
    assert (tmp_path / "secret").read_text() == "one"


def test_open_file_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.write_text("old")
    path.chmod(0o644)
    write_private(path, "new")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text() == "new"


def test_failed_write_keeps_old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_private(tmp_path / "secret", "old")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_private(tmp_path / "secret", "new")
    assert [path.name for path in tmp_path.iterdir()] == ["secret"]
    assert (tmp_path / "secret").read_text() == "old"
