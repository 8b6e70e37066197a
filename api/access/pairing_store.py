"""The paired devices, in a file that only the daemon's user may read."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import secrets
import threading
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from api.access.private_files import MODE, write_private
from controller.errors import BiteclockError
from controller.ports import Clock
from controller.texts import text

LIFE_S = 90 * 86_400
"""How long a pairing lasts, s: a season. After that the page asks for the PIN again."""

MAX_PAIRINGS = 50
"""More devices than a studio has."""

MOST_PER_ADDRESS = 5
"""Most pairings made from one address: two browsers on a phone, and some that were cleared."""

TOKEN_BYTES = 32
"""Random bytes of a token. Nobody guesses 256 bits, so a plain hash of it may be stored."""

_log = logging.getLogger("biteclock")


class PairingsFullError(BiteclockError):
    """The list of paired devices is full."""


class UnknownPairingError(BiteclockError, LookupError):
    """There is no such paired device."""


class NotSavedError(BiteclockError, OSError):
    """A change could not be saved. It holds until the daemon ends."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """A paired device. Only the hash of its token is stored.

    :param paired_from: address from which it was paired, or None when it is not known.
    :param is_dated: the clock was set when it was paired. Else its times are of no use.
    """

    pairing_id: str
    name: str
    token_sha256: str
    paired_at_utc: datetime
    expires_at_utc: datetime
    paired_from: str | None = None
    is_dated: bool = True


class PairingStore:
    """The paired devices, newest last.

    Safe from any thread. ``add`` and ``revoke`` wait for the disk.

    :param path: the file; its directory must exist.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._pairings = _loaded(path)

    def pairings(self) -> tuple[Pairing, ...]:
        """Return the devices whose pairing has not expired. None expires by a clock not set."""
        is_set, now_utc = self._clock.is_utc_set(), self._clock.utc_now()
        with self._lock:
            if is_set:
                self._date_again(now_utc)
            return tuple(p for p in self._pairings if not is_set or p.expires_at_utc > now_utc)

    def _date_again(self, now_utc: datetime) -> None:
        """Date the pairings that were made before the clock was set: they begin now."""
        if all(pairing.is_dated for pairing in self._pairings):
            return
        life = timedelta(seconds=LIFE_S)
        self._pairings = tuple(
            pairing
            if pairing.is_dated
            else replace(
                pairing, paired_at_utc=now_utc, expires_at_utc=now_utc + life, is_dated=True
            )
            for pairing in self._pairings
        )
        with suppress(OSError):  # the next change saves them
            self._save()

    def of_token(self, token: str) -> Pairing | None:
        """Return the pairing to which a token belongs, or None."""
        wanted, found = sha256_of(token), None
        for pairing in self.pairings():
            if hmac.compare_digest(wanted, pairing.token_sha256):
                found = pairing
        return found

    def add(self, name: str, paired_from: str | None = None) -> tuple[Pairing, str]:
        """Pair a device. Return the pairing and its token, which is not stored.

        A device that pairs again and again replaces its own oldest pairings: MOST_PER_ADDRESS stay.
        The pairing also holds when it cannot be saved, until the daemon ends: a person may have to
        act now.

        Raises: PairingsFullError.
        """
        token, now_utc = secrets.token_urlsafe(TOKEN_BYTES), self._clock.utc_now()
        pairing = Pairing(
            secrets.token_hex(6),
            name,
            sha256_of(token),
            now_utc,
            now_utc + timedelta(seconds=LIFE_S),
            paired_from,
            self._clock.is_utc_set(),
        )
        known = self.pairings()
        with self._lock:
            present = tuple(pairing for pairing in self._pairings if pairing in known)
            if paired_from is not None:
                same = [pairing for pairing in present if pairing.paired_from == paired_from]
                replaced = same[: max(0, len(same) + 1 - MOST_PER_ADDRESS)]
                present = tuple(pairing for pairing in present if pairing not in replaced)
            if len(present) >= MAX_PAIRINGS:
                raise PairingsFullError("http.pairing.full", paired=len(present), most=MAX_PAIRINGS)
            self._pairings = (*present, pairing)
            try:
                self._save()
            except OSError as error:
                _log.warning(
                    text(
                        "http.pairing.not_kept",
                        name=name,
                        path=self._path,
                        system_message=error.strerror or str(error),
                    )
                )
        return pairing, token

    def revoke(self, pairing_id: str) -> None:
        """End a pairing now.

        Raises: UnknownPairingError; NotSavedError when a restart would bring it back.
        """
        with self._lock:
            rest = tuple(pairing for pairing in self._pairings if pairing.pairing_id != pairing_id)
            if len(rest) == len(self._pairings):
                raise UnknownPairingError("http.pairing.unknown", pairing_id=ascii(pairing_id))
            self._keep_only(rest)

    def revoke_all(self) -> None:
        """End every pairing now. Raises: NotSavedError when a restart would bring them back."""
        with self._lock:
            self._keep_only(())

    def _keep_only(self, rest: tuple[Pairing, ...]) -> None:
        self._pairings = rest
        try:
            self._save()
        except OSError as error:
            raise NotSavedError(
                "http.pairing.not_saved",
                path=self._path,
                system_message=error.strerror or str(error),
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
    """Return the hash of a token, as stored."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def _loaded(path: Path) -> tuple[Pairing, ...]:
    """Return the pairings in a file. Without a file there are none; a damaged one is renamed."""
    try:
        stored = path.read_text(encoding="utf-8")
        path.chmod(MODE)
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        _log.warning(text("http.pairing.file_unreadable", path=path, reason=str(error)))
        return ()
    try:
        return tuple(_pairing(row) for row in json.loads(stored)["pairings"])
    except (ValueError, KeyError, TypeError) as error:
        renamed = path.with_suffix(".damaged")
        _log.warning(
            text("http.pairing.file_damaged", path=path, renamed=renamed.name, reason=str(error))
        )
        path.replace(renamed)
        return ()


def _pairing(row: dict[str, Any]) -> Pairing:
    pairing = Pairing(
        pairing_id=row["pairing_id"],
        name=row["name"],
        token_sha256=row["token_sha256"],
        paired_at_utc=datetime.fromisoformat(row["paired_at_utc"]),
        expires_at_utc=datetime.fromisoformat(row["expires_at_utc"]),
        paired_from=row.get("paired_from"),
        is_dated=row.get("is_dated", True) is True,
    )
    strings = (pairing.pairing_id, pairing.name, pairing.token_sha256)
    if not all(isinstance(it, str) for it in strings) or not pairing.token_sha256.isascii():
        raise ValueError("not a string")
    if not isinstance(pairing.paired_from, str | None):
        raise ValueError("not a string")
    if pairing.paired_at_utc.tzinfo is None or pairing.expires_at_utc.tzinfo is None:
        raise ValueError("a time has no zone")
    return pairing
