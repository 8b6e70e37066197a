"""Shares of scarce resources: each address has one, and paired devices have a reserve."""

from __future__ import annotations

import ipaddress
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache

from starlette.types import Scope

from api.access.auth import LOCAL

CONNECTION = "connection"
"""Key of the connection in the state of a request's scope. It knows its share, and is told who uses
it."""

UNKNOWN = "unknown"
"""The share of guests whose address nobody knows."""

IPV6_NETWORK = 64
"""Bits of an IPv6 address that name a network. One machine may use every address in it.

Source: RFC 4291 section 2.5.1.
"""


@lru_cache(maxsize=1024)
def share_of(host: str) -> str:
    """Return what counts as one address: an IPv4 address, or the network of an IPv6 address."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    return str(ipaddress.IPv6Network((int(address), IPV6_NETWORK), strict=False))


def guest_share(scope: Scope, *, is_paired: bool) -> str | None:
    """Return the share that a request uses, or None for a paired device and the local socket.

    A guest always has one. Without any address, all such guests have one together.
    """
    if is_paired or scope.get("state", {}).get(LOCAL) is True:
        return None
    return share_of(peer_of(scope) or UNKNOWN)


def peer_of(scope: Scope) -> str | None:
    """Return the address from which a request came, or None for the local socket.

    The server no longer knows it when the client reset the connection at once. The door does: it
    noted the address when it accepted.
    """
    state = scope.get("state", {})
    if state.get(LOCAL) is True:
        return None
    if scope.get("client") is not None:
        return str(scope["client"][0])
    connection = state.get(CONNECTION)
    return None if connection is None else str(connection.share)


@dataclass(frozen=True, slots=True)
class ShareLimits:
    """Most places for guests together, for each address among them, and for paired devices."""

    guests: int
    per_address: int
    paired: int


class Shares:
    """Counts the places that are taken. A guest is known by ``share_of``, a paired device is None.

    It belongs to the server's event loop.
    """

    def __init__(self, limits: ShareLimits) -> None:
        self._limits = limits
        self._taken: Counter[str | None] = Counter()

    @property
    def taken(self) -> int:
        """All places that are taken."""
        return self._taken.total()

    def used_and_most(self, share: str | None) -> tuple[int, int]:
        """Return how many places are taken where this share is short, and the limit there."""
        if share is None:
            return self._taken[None], self._limits.paired
        if self._taken[share] >= self._limits.per_address:
            return self._taken[share], self._limits.per_address
        return self.taken - self._taken[None], self._limits.guests

    def take(self, share: str | None) -> bool:
        """Take a place. Return False when there is none. Whoever takes one gives it back."""
        used, most = self.used_and_most(share)
        if used >= most:
            return False
        self._taken[share] += 1
        return True

    def give_back(self, share: str | None) -> None:
        """Give a place back."""
        self._taken[share] -= 1
        if not self._taken[share]:
            del self._taken[share]
