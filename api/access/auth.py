"""Who may control the rig: devices paired with the PIN, and readers of the daemon's own files."""

from __future__ import annotations

import hmac
import logging
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import HTTPConnection

from api.access.pairing_store import TOKEN_BYTES, Pairing, PairingStore, sha256_of
from api.access.pin_gate import PinGate
from api.access.private_files import write_private
from controller.ports import Clock
from controller.texts import text

COOKIE = "biteclock-pairing"
BENCH_TOKEN_FILE = "bench-token"  # noqa: S105 a file name
PAIRINGS_FILE = "pairings.json"
CALLER = "biteclock.caller"
"""Key of the caller in the ASGI scope. A guard puts it there."""

LOCAL = "biteclock.local"
"""Key in the ASGI scope's state: the request came through the local socket. The server's protocol
puts it there, and nothing that a client sends can."""

_log = logging.getLogger("biteclock")


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who may control.

    :param pairing: the paired device, or None for a program on the Pi that has the daemon's own
        token or came through the local socket.
    """

    pairing: Pairing | None


class Access:
    """The PIN, the paired devices, and the daemon's own token.

    A request from the Pi itself proves nothing: every user and program there can send one, and so
    can a web page in a browser. A file that others cannot use does prove something. The local
    socket is one: whoever may connect to it may control. At each start
    the daemon writes a new token into its state directory, readable for its own user only, and
    accepts it as ``Authorization: Bearer``. Devices send a cookie, or their token in that header.

    :param state_directory: must exist.
    :param view_needs_pairing: whether looking needs a paired device, too.
    """

    def __init__(
        self, state_directory: Path, clock: Clock, *, view_needs_pairing: bool = False
    ) -> None:
        self.view_needs_pairing = view_needs_pairing
        self.pins = PinGate(clock)
        self.store = PairingStore(state_directory / PAIRINGS_FILE, clock)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._bench_sha256 = sha256_of(token)
        try:
            write_private(state_directory / BENCH_TOKEN_FILE, token)
        except OSError as error:
            _log.warning(
                text(
                    "http.pairing.token_not_written",
                    file=BENCH_TOKEN_FILE,
                    system_message=error.strerror or str(error),
                )
            )

    def caller(self, request: HTTPConnection) -> Caller | None:
        """Return the caller: through the local socket, or by cookie or token; or None."""
        if is_local(request):
            return Caller(None)
        scheme, _, credentials = request.headers.get("authorization", "").partition(" ")
        token = (
            credentials.strip() if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")
        )
        if not token:
            return None
        if hmac.compare_digest(sha256_of(token), self._bench_sha256):
            return Caller(None)
        pairing = self.store.of_token(token)
        return None if pairing is None else Caller(pairing)

    def revoke(self, pairing_id: str) -> None:
        """End a pairing now, and the PIN that the device may have read. Waits for the disk.

        Raises: UnknownPairingError; NotSavedError when a restart would bring the pairing back.
        """
        self._revoke(lambda: self.store.revoke(pairing_id))

    def revoke_all(self) -> None:
        """End every pairing and the PIN now. Waits for the disk.

        Raises: NotSavedError when a restart would bring the pairings back.
        """
        self._revoke(self.store.revoke_all)

    def _revoke(self, action: Callable[[], None]) -> None:
        try:
            action()
        finally:
            self.pins.renew()

    def may_still_control(self, caller: Caller | None) -> bool:
        """Return whether whoever could control when a request began still can.

        None is nobody whom a guard found, and a guard let it pass. It cannot be revoked.
        """
        pairing = None if caller is None else caller.pairing
        return pairing is None or any(
            known.pairing_id == pairing.pairing_id for known in self.store.pairings()
        )

    def may_still_view(self, caller: Caller | None) -> bool:
        """Return whether a caller may still look. A device revoked in the meantime may not."""
        return not self.view_needs_pairing or self.may_still_control(caller)


def read_bench_token(state_directory: Path) -> str | None:
    """Return the token of the daemon on a state directory, or None when it cannot be read."""
    try:
        return (state_directory / BENCH_TOKEN_FILE).read_text(encoding="ascii").strip() or None
    except (OSError, UnicodeDecodeError):
        return None


def is_local(request: HTTPConnection) -> bool:
    """Return whether a request came through the local socket."""
    return request.scope.get("state", {}).get(LOCAL) is True


def caller_of(request: HTTPConnection) -> Caller | None:
    """Return the caller that a guard found, or None."""
    found = request.scope.get(CALLER)
    return found if isinstance(found, Caller) else None
