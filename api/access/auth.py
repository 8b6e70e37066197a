"""Who may control the bench: devices that were paired with the PIN, and whoever can read the daemon's own files."""

from __future__ import annotations

import hmac
import logging
import secrets
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import HTTPConnection

from api.access.pairing_book import TOKEN_BYTES, Pairing, PairingBook, sha256_of
from api.access.pin_gate import PinGate
from api.access.private_files import write_private
from controller.ports import Clock

COOKIE = "biteclock-pairing"
BENCH_TOKEN_FILE = "bench-token"  # noqa: S105 its name
PAIRINGS_FILE = "pairings.json"
CALLER = "biteclock.caller"
"""Where a guard leaves who calls, in the ASGI scope."""

_log = logging.getLogger("biteclock")


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who may control.

    :param pairing: the device; None for the bench itself, by the token in its file.
    """

    pairing: Pairing | None


class Access:
    """The PIN, the paired devices, and the bench's own token.

    A request from the Pi itself is no proof: every user and program there can send one, and so can a page in a browser. What
    the file system keeps from them is one: the daemon writes a token into its state directory, new at each start and
    readable for its own user only, and takes it as ``Authorization: Bearer``. Devices show a cookie, or their token the same way.

    :param state_directory: must exist.
    :param view_needs_pairing: only those who may control may look.
    """

    def __init__(
        self, state_directory: Path, clock: Clock, *, view_needs_pairing: bool = False
    ) -> None:
        self.view_needs_pairing = view_needs_pairing
        self.pins = PinGate(clock)
        self.book = PairingBook(state_directory / PAIRINGS_FILE, clock)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._bench_sha256 = sha256_of(token)
        try:
            write_private(state_directory / BENCH_TOKEN_FILE, token)
        except OSError as error:
            _log.warning(
                "programs on this machine cannot control: %s cannot be written: %s",
                BENCH_TOKEN_FILE,
                error.strerror,
            )

    def caller(self, request: HTTPConnection) -> Caller | None:
        """Return who may control by what the request shows, or None."""
        kind, _, shown = request.headers.get("authorization", "").partition(" ")
        token = shown.strip() if kind.lower() == "bearer" else request.cookies.get(COOKIE, "")
        if not token:
            return None
        if hmac.compare_digest(sha256_of(token), self._bench_sha256):
            return Caller(None)
        pairing = self.book.of_token(token)
        return None if pairing is None else Caller(pairing)

    def may_still_view(self, caller: Caller | None) -> bool:
        """Return whether somebody who was let in may go on looking: a device that was revoked meanwhile may not."""
        pairing = None if caller is None else caller.pairing
        return not self.view_needs_pairing or pairing is None or pairing in self.book.pairings()


def read_bench_token(state_directory: Path) -> str | None:
    """Return the token of the daemon that runs on a state directory, or None when there is none or it is not for us."""
    try:
        return (state_directory / BENCH_TOKEN_FILE).read_text(encoding="ascii").strip() or None
    except (OSError, UnicodeDecodeError):
        return None


def caller_of(request: HTTPConnection) -> Caller | None:
    """Return who a guard found to be calling, or None."""
    found = request.scope.get(CALLER)
    return found if isinstance(found, Caller) else None
