"""The places for connections: how many of each kind, and which one makes room for a new one.

Nothing here touches a socket. Each kind has places that no other kind can take. A paired device
therefore never loses its connection to a guest, and Stop never waits for either.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import Enum
from typing import Protocol


class Kind(Enum):
    """What a connection is for."""

    WAITING = "waiting"
    """Its first request has not arrived. It costs a descriptor and nothing else."""
    STOP = "stop"
    """Its first request is Stop. It is closed after the response."""
    PAIRED = "paired"
    GUEST = "guest"
    LOCAL = "local"
    """It came through the local socket, whose file says who may use it."""


@dataclass(frozen=True, slots=True)
class Places:
    """Most connections of each kind, and most guests of one address."""

    waiting: int = 256
    stop: int = 64
    paired: int = 150
    guest: int = 300
    local: int = 32
    guest_of_one_address: int = 50

    @property
    def in_all(self) -> int:
        """The descriptors that all connections may take together."""
        return self.waiting + self.stop + self.paired + self.guest + self.local

    def within(self, descriptors: int) -> Places:
        """Return these places, reduced in proportion to fit into so many descriptors."""
        if descriptors >= self.in_all:
            return self
        return Places(
            **{
                field.name: max(1, getattr(self, field.name) * descriptors // self.in_all)
                for field in fields(self)
            }
        )


class Member(Protocol):
    """A connection that holds a place."""

    kind: Kind
    share: str
    """Its address, as from ``share_of``."""
    number: int
    """Rises with each connection."""

    @property
    def is_idle(self) -> bool:
        """Whether no request of it is being answered."""
        ...

    def drop(self) -> None:
        """Close the connection at once. It leaves the book when its descriptor is free."""
        ...


class PlaceBook:
    """Everybody who holds a place. It belongs to the server's event loop.

    A connection that is closing holds its place until its descriptor is free.
    """

    def __init__(self, places: Places) -> None:
        self.places = places
        self._shares: dict[Kind, dict[str, dict[int, Member]]] = {kind: {} for kind in Kind}
        self._counts = dict.fromkeys(Kind, 0)

    def members(self, *kinds: Kind) -> list[Member]:
        """Return the members of these kinds."""
        return [
            member
            for kind in kinds
            for of_share in self._shares[kind].values()
            for member in of_share.values()
        ]

    def enter(self, member: Member) -> bool:
        """Give a member a place, and drop another one for it if need be.

        Return False when there is no place and nobody has to make room.
        """
        leaving = None
        if self.has_its_share(member.kind, member.share):
            return False
        if self._is_full(member):
            leaving = self._who_leaves(member)
            if leaving is None:
                return False
            self.leave(leaving)
        self._add(member)
        if leaving is not None:
            leaving.drop()
        return True

    def leave(self, member: Member) -> None:
        """Free a member's place. Nothing happens when it has none."""
        shares = self._shares[member.kind]
        of_share = shares.get(member.share, {})
        if of_share.pop(member.number, None) is not None:
            self._counts[member.kind] -= 1
            if not of_share:
                del shares[member.share]

    def change(self, member: Member, kind: Kind) -> None:
        """Make a member one of another kind, if there is a free place for it."""
        if member.kind is not kind and self._counts[kind] < self._most(kind):
            self.leave(member)
            member.kind = kind
            self._add(member)

    def has_its_share(self, kind: Kind, share: str) -> bool:
        """Return whether an address has all the places that a guest's address may have."""
        of_share = self._shares[kind].get(share, ())
        return kind is Kind.GUEST and len(of_share) >= self.places.guest_of_one_address

    def make_room(self, *kinds: Kind) -> None:
        """Drop one member of these kinds, of the address with the most connections."""
        crowds = [crowd for kind in kinds for crowd in self._shares[kind].values()]
        if crowds:
            leaving = _first_to_go(max(crowds, key=len))
            self.leave(leaving)
            leaving.drop()

    def _add(self, member: Member) -> None:
        self._shares[member.kind].setdefault(member.share, {})[member.number] = member
        self._counts[member.kind] += 1

    def _most(self, kind: Kind) -> int:
        most: int = getattr(self.places, kind.value)
        return most

    def _is_full(self, member: Member) -> bool:
        return self._counts[member.kind] >= self._most(member.kind)

    def _who_leaves(self, member: Member) -> Member | None:
        """Return who makes room: the oldest of the address with the most connections.

        A guest makes room only for an address with fewer connections, so that a crowd cannot
        replace its own members forever. A paired device does so as well, or while it is idle.
        """
        shares = self._shares[member.kind]
        own = shares.get(member.share, {})
        crowd = max(shares.values(), key=len)
        leaving = _first_to_go(crowd)
        is_kept = member.kind is Kind.GUEST or (member.kind is Kind.PAIRED and not leaving.is_idle)
        return None if is_kept and len(own) + 1 >= len(crowd) else leaving


def _first_to_go(crowd: dict[int, Member]) -> Member:
    """Return the oldest member that is idle, or else the oldest."""
    return next((member for member in crowd.values() if member.is_idle), next(iter(crowd.values())))
