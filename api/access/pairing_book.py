"""The paired devices: who they are, until when, and how their tokens are known again. Kept in a file of the daemon's own."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import secrets
import threading
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from api.access.private_files import MODE, write_private
from controller.errors import BiteclockError
from controller.ports import Clock

LIFE_S = 90 * 86_400
"""How long a pairing lasts, s: a season, then the PIN is asked for again."""

MAX_PAIRINGS = 50
"""More devices than a studio has."""

TOKEN_BYTES = 32
"""Random bytes of a token: nobody guesses 256 bits, so a plain hash of it may be stored."""

_log = logging.getLogger("biteclock")


class PairingsFullError(BiteclockError):
    """No more device can be paired."""


class UnknownPairingError(BiteclockError, LookupError):
    """There is no such pairing."""


class NotSavedError(BiteclockError, OSError):
    """A change holds until the daemon ends and could not be saved for longer."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """A paired device. Only the hash of its token is known."""

    pairing_id: str
    name: str
    token_sha256: str
    paired_at_utc: datetime
    expires_at_utc: datetime


class PairingBook:
    """The paired devices, newest last. Safe from any thread; ``add`` and ``revoke`` wait for the disk.

    :param path: the file; its directory must exist.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._pairings = _loaded(path)

    def pairings(self) -> tuple[Pairing, ...]:
        """Return those that have not expired."""
        now_utc = self._clock.utc_now()
        with self._lock:
            return tuple(pairing for pairing in self._pairings if pairing.expires_at_utc > now_utc)

    def of_token(self, token: str) -> Pairing | None:
        """Return the pairing that a token belongs to, or None."""
        wanted, found = sha256_of(token), None
        for pairing in self.pairings():
            if hmac.compare_digest(wanted, pairing.token_sha256):
                found = pairing
        return found

    def add(self, name: str) -> tuple[Pairing, str]:
        """Pair a device; return the pairing and its token, which is told this once. Raises: PairingsFullError.

        It holds also when it cannot be saved, until the daemon ends: somebody may have to act at the bench now.
        """
        token, now_utc = secrets.token_urlsafe(TOKEN_BYTES), self._clock.utc_now()
        pairing = Pairing(
            secrets.token_hex(6),
            name,
            sha256_of(token),
            now_utc,
            now_utc + timedelta(seconds=LIFE_S),
        )
        with self._lock:
            present = tuple(known for known in self._pairings if known.expires_at_utc > now_utc)
            if len(present) >= MAX_PAIRINGS:
                raise PairingsFullError(
                    f"{len(present)} devices are paired, at most {MAX_PAIRINGS} may be: revoke those that are gone"
                )
            self._pairings = (*present, pairing)
            try:
                self._save()
            except OSError as error:
                _log.warning(
                    "%s is paired until the daemon ends; %s cannot be written: %s",
                    name,
                    self._path,
                    error.strerror,
                )
        return pairing, token

    def revoke(self, pairing_id: str) -> None:
        """End a pairing now. Raises: UnknownPairingError, NotSavedError when it would be back after a restart."""
        with self._lock:
            rest = tuple(pairing for pairing in self._pairings if pairing.pairing_id != pairing_id)
            if len(rest) == len(self._pairings):
                raise UnknownPairingError(
                    f"there is no pairing {pairing_id!r}: look at the list again"
                )
            self._pairings = rest
            try:
                self._save()
            except OSError as error:
                raise NotSavedError(
                    f"the pairing is revoked until the daemon ends, but {self._path} cannot be written ({error.strerror}): "
                    "make room, then revoke it again or delete the file"
                ) from error

    def _save(self) -> None:
        rows = [
            {
                **asdict(p),
                "paired_at_utc": p.paired_at_utc.isoformat(),
                "expires_at_utc": p.expires_at_utc.isoformat(),
            }
            for p in self._pairings
        ]
        write_private(self._path, json.dumps({"pairings": rows}, indent=1))


def sha256_of(token: str) -> str:
    """Return the hash under which a token is known."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def _loaded(path: Path) -> tuple[Pairing, ...]:
    """Return the pairings in a file, none when there is none. A damaged file is set aside: devices pair again."""
    try:
        text = path.read_text(encoding="utf-8")
        path.chmod(MODE)
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        _log.warning("%s cannot be read, every device has to pair again: %s", path, error)
        return ()
    try:
        return tuple(_pairing(row) for row in json.loads(text)["pairings"])
    except (ValueError, KeyError, TypeError) as error:
        aside = path.with_suffix(".damaged")
        _log.warning(
            "%s is damaged and set aside as %s, every device has to pair again: %s",
            path,
            aside.name,
            error,
        )
        path.replace(aside)
        return ()


def _pairing(row: dict[str, Any]) -> Pairing:
    pairing = Pairing(
        pairing_id=row["pairing_id"],
        name=row["name"],
        token_sha256=row["token_sha256"],
        paired_at_utc=datetime.fromisoformat(row["paired_at_utc"]),
        expires_at_utc=datetime.fromisoformat(row["expires_at_utc"]),
    )
    texts = (pairing.pairing_id, pairing.name, pairing.token_sha256)
    if not all(isinstance(text, str) for text in texts) or not pairing.token_sha256.isascii():
        raise ValueError("a text is none")
    if pairing.paired_at_utc.tzinfo is None or pairing.expires_at_utc.tzinfo is None:
        raise ValueError("a time has no zone")
    return pairing
