"""The paired devices: hashed tokens, expiry, revocation, and a file that is damaged or full."""

from __future__ import annotations

import hashlib
import json
import logging
import os
import stat
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from api.access.pairing_store import (
    LIFE_S,
    MAX_PAIRINGS,
    NotSavedError,
    PairingsFullError,
    PairingStore,
    UnknownPairingError,
)
from hardware.clock import VirtualClock


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "pairings.json"


@pytest.fixture
def book(path: Path, clock: VirtualClock) -> PairingStore:
    return PairingStore(path, clock)


def test_token_survives_restart(book: PairingStore, path: Path, clock: VirtualClock) -> None:
    pairing, token = book.add("phone on the easel")
    _, other = book.add("tablet")
    for known in (book, PairingStore(path, clock)):
        assert known.of_token(token) == pairing
        assert known.of_token(other) != pairing
        assert [p.name for p in known.pairings()] == ["phone on the easel", "tablet"]
    for wrong in ("", token[:-1], token + "a", token.swapcase(), "\udcff", pairing.token_sha256):
        assert book.of_token(wrong) is None


def test_token_storage(book: PairingStore, path: Path) -> None:
    tokens = [book.add("")[1] for _ in range(20)]
    assert len(set(tokens)) == 20
    assert all(len(token) == 43 for token in tokens), (
        "32 bytes in base64url without padding, RFC 4648 section 5"
    )
    text = path.read_text()
    assert not any(token in text for token in tokens)
    assert all(hashlib.sha256(token.encode()).hexdigest() in text for token in tokens)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_pairing_expires(book: PairingStore, path: Path, clock: VirtualClock) -> None:
    pairing, token = book.add("phone")
    assert (
        pairing.expires_at_utc - pairing.paired_at_utc
        == timedelta(days=90)
        == timedelta(seconds=LIFE_S)
    )
    clock.advance(90 * 86_400 - 1)
    assert book.of_token(token) is not None
    clock.advance(1)
    assert book.of_token(token) is None
    assert PairingStore(path, clock).of_token(token) is None
    assert book.pairings() == ()


def test_revoked_at_once(book: PairingStore, path: Path, clock: VirtualClock) -> None:
    gone, gone_token = book.add("lost phone")
    _, token = book.add("phone")
    book.revoke(gone.pairing_id)
    for known in (book, PairingStore(path, clock)):
        assert known.of_token(gone_token) is None
        assert known.of_token(token) is not None
    with pytest.raises(UnknownPairingError):
        book.revoke(gone.pairing_id)


def test_device_limit(book: PairingStore, clock: VirtualClock) -> None:
    for _ in range(MAX_PAIRINGS):
        book.add("")
    with pytest.raises(PairingsFullError, match="the limit is 50"):
        book.add("one more")
    clock.advance(LIFE_S)
    book.add("one more")
    assert len(book.pairings()) == 1


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", '{"pairings": 5}', '{"pairings": [{}]}', '{"pairings": [[]]}', "\x00",
        json.dumps({"pairings": [{"pairing_id": 1, "name": "a", "token_sha256": "b",
                                  "paired_at_utc": "2026-01-01T00:00:00Z",
                                  "expires_at_utc": "2099-01-01T00:00:00Z"}]}),
        json.dumps({"pairings": [{"pairing_id": "a", "name": "a", "token_sha256": "b",
                                  "paired_at_utc": "2026-01-01T00:00:00",
                                  "expires_at_utc": "2099-01-01T00:00:00"}]}),
    ],
)  # fmt: skip
def test_damaged_file(
    path: Path, clock: VirtualClock, text: str, caplog: pytest.LogCaptureFixture
) -> None:
    path.write_text(text)
    with caplog.at_level(logging.WARNING, "biteclock"):
        book = PairingStore(path, clock)
    assert book.pairings() == ()
    assert "renamed to pairings.damaged" in caplog.text
    assert path.with_suffix(".damaged").read_text() == text
    _, token = book.add("phone")
    assert PairingStore(path, clock).of_token(token) is not None


def test_file_mode_repaired(book: PairingStore, path: Path, clock: VirtualClock) -> None:
    book.add("phone")
    path.chmod(0o644)
    assert len(PairingStore(path, clock).pairings()) == 1
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_full_card(
    book: PairingStore,
    path: Path,
    clock: VirtualClock,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """On a full card a device still pairs, and a revocation warns that it may not last."""
    old, old_token = book.add("old phone")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with caplog.at_level(logging.WARNING, "biteclock"):
        _, token = book.add("new phone")
    assert book.of_token(token) is not None
    assert "until the controller ends" in caplog.text
    with pytest.raises(NotSavedError, match="No space left on device"):
        book.revoke(old.pairing_id)
    assert book.of_token(old_token) is None
    assert PairingStore(path, clock).of_token(old_token) is not None, (
        "which is what the message says"
    )


class OnSecondEntry:
    """A lock that lets somebody else act just before it is entered for the second time."""

    def __init__(self, lock: Any, act: Callable[[], None]) -> None:
        self._lock, self._act, self.entries = lock, act, 0

    def __enter__(self) -> None:
        self.entries += 1
        if self.entries == 2:
            self._act()
        self._lock.acquire()

    def __exit__(self, *_error: object) -> None:
        self._lock.release()


def test_concurrent_revocation(book: PairingStore, path: Path, clock: VirtualClock) -> None:
    """What was read under one lock is old under the next."""
    stolen, _ = book.add("stolen phone")
    lock = book._lock
    between = OnSecondEntry(
        lock, lambda: (setattr(book, "_lock", lock), book.revoke(stolen.pairing_id))[1]
    )
    book._lock = between  # type: ignore[assignment]
    book.add("new phone")
    book._lock = lock
    if between.entries == 1:
        book.revoke(stolen.pairing_id)
    assert [pairing.name for pairing in book.pairings()] == ["new phone"]
    assert [pairing.name for pairing in PairingStore(path, clock).pairings()] == ["new phone"]


def test_nothing_expires_by_unset_clock(path: Path, clock: VirtualClock) -> None:
    """A wrong clock far ahead drops nobody."""
    token = PairingStore(path, clock).add("phone")[1]
    clock.utc_is_set = False
    clock.jump_utc(2 * LIFE_S)
    assert PairingStore(path, clock).of_token(token) is not None
    clock.utc_is_set = True
    assert PairingStore(path, clock).of_token(token) is None


def test_pairing_before_clock_is_set(path: Path, clock: VirtualClock) -> None:
    """Its 90 days begin when the clock is set, also over a restart."""
    clock.utc_is_set = False
    store = PairingStore(path, clock)
    token = store.add("phone")[1]
    clock.jump_utc(400 * 86_400)
    clock.utc_is_set = True
    assert PairingStore(path, clock).of_token(token) is not None, "after a restart"
    clock.jump_utc(LIFE_S - 60)
    assert PairingStore(path, clock).of_token(token) is not None
    clock.jump_utc(120)
    assert PairingStore(path, clock).of_token(token) is None
