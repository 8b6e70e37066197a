"""The book of places: who gets one, and who has to go."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import pytest

from api.http.door.first_bytes import MOST_BYTES, credentials, is_stop_line, is_whole
from api.http.door.places import Kind, PlaceBook, Places

NUMBERS = itertools.count()


@dataclass
class Somebody:
    kind: Kind
    share: str = "a"
    is_idle: bool = False
    is_dropped: bool = False
    number: int = field(default_factory=lambda: next(NUMBERS))

    def drop(self) -> None:
        self.is_dropped = True


def entered(book: PlaceBook, kind: Kind, *shares: str, is_idle: bool = False) -> list[Somebody]:
    people = [Somebody(kind, share, is_idle) for share in shares]
    assert all(book.enter(person) for person in people)
    return people


@pytest.mark.parametrize("kind", list(Kind))
def test_each_kind_has_its_places(kind: Kind) -> None:
    """Whatever fills the places of one kind leaves those of the others alone."""
    book = PlaceBook(Places(2, 2, 2, 2, 2, 2))
    others = [person for other in Kind if other is not kind for person in entered(book, other, "b")]
    for _ in range(50):
        book.enter(Somebody(kind))
        assert len(book.members(kind)) <= 2
    assert not any(person.is_dropped for person in others)


@pytest.mark.parametrize("kind", [Kind.WAITING, Kind.STOP, Kind.LOCAL])
def test_newest_gets_in(kind: Kind) -> None:
    """Stop from another address stays, while the attacker's oldest goes."""
    book = PlaceBook(Places(4, 4, 4, 4, 4, 4))
    attackers = entered(book, kind, "a", "a", "a")
    person = entered(book, kind, "b")[0]
    entered(book, kind, "a", "a")
    assert not person.is_dropped
    assert [attacker.is_dropped for attacker in attackers] == [True, True, False]


def test_guest_of_crowded_address() -> None:
    """An address that has its share gets no more, so that nobody can make it costly."""
    book = PlaceBook(Places(guest=10, guest_of_one_address=3))
    busy = entered(book, Kind.GUEST, "a", "a", "a")
    assert not book.enter(Somebody(Kind.GUEST, "a"))
    entered(book, Kind.GUEST, "b")
    busy[1].is_idle = True
    assert not book.enter(Somebody(Kind.GUEST, "a"))
    assert book.has_its_share(Kind.GUEST, "a")
    assert not any(person.is_dropped for person in busy)


def test_crowd_makes_room_for_few() -> None:
    """All guests' places are taken: whoever has most gives one to a new address, once."""
    book = PlaceBook(Places(guest=4, guest_of_one_address=3))
    crowd = entered(book, Kind.GUEST, "a", "a", "a", "b")
    entered(book, Kind.GUEST, "c")
    assert [person.is_dropped for person in crowd] == [True, False, False, False]
    assert not book.enter(Somebody(Kind.GUEST, "c")), "as many as the others have"


def test_change_of_kind() -> None:
    """A guest that pairs gets another place, if one is free, and its own is free again."""
    book = PlaceBook(Places(paired=1, guest=1))
    guest = entered(book, Kind.GUEST, "a")[0]
    book.change(guest, Kind.PAIRED)
    assert guest.kind is Kind.PAIRED
    second = entered(book, Kind.GUEST, "b")[0]
    book.change(second, Kind.PAIRED)
    assert second.kind is Kind.GUEST
    book.leave(guest)
    book.change(second, Kind.PAIRED)
    assert book.members(*Kind) == [second]


def test_fewer_descriptors_fewer_places() -> None:
    """Each kind keeps at least one place, and all fit."""
    places = Places()
    assert places.within(places.in_all) is places
    few = places.within(200)
    assert few.in_all <= 200
    assert few.stop == places.stop * 200 // places.in_all
    assert Places().within(-5).stop == 1


@pytest.mark.parametrize(
    ("seen", "is_stop"),
    [
        (b"POST /api/stop HTTP/1.1\r\n", True),
        (b"POST /api/stop?again=1 HTTP/1.1\r\n", True),
        (b"POST /api/stop", False),
        (b"POST /api/stopper HTTP/1.1\r\n", False),
        (b"GET /api/stop HTTP/1.1\r\n", False),
        (b"GET / HTTP/1.1\r\nX: POST /api/stop \r\n", False),
    ],
)
def test_stop_line(seen: bytes, is_stop: bool) -> None:
    assert is_stop_line(seen) is is_stop


def test_whole_head() -> None:
    assert not is_whole(b"GET / HTTP/1.1\r\nHost: a\r\n")
    assert is_whole(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
    assert is_whole(b"a" * MOST_BYTES)


def test_credentials_in_head() -> None:
    """Only those of the head count, not those of a body or of the next request."""
    seen = (
        b"POST /api/pause HTTP/1.1\r\nHost: a\r\ncookie:  x=1\r\nAuthorization: Bearer y\r\n"
        b"broken\r\n\r\nCookie: x=2\r\n"
    )
    assert credentials(seen) == [(b"cookie", b"x=1"), (b"authorization", b"Bearer y")]
    assert credentials(b"\x00\xff") == []
