"""What waits for a service: order, room, tries and their waits. Time comes from the test."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime

import pytest

from api.messenger.ending import Ending
from api.messenger.mailbag import FEWEST_S, MOST_WAITING, WAITS_S, Item, Mailbag
from api.messenger.outcome import Outcome
from api.messenger.settings import Service
from controller.notices.notice import Notice, NoticeKind
from tests.kits.messenger_kit import SENT, UNREACHABLE

NOW_UTC = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)


def bag() -> Mailbag:
    return Mailbag(Service(1, "json", "json://h/"))


def put(into: Mailbag, kind: str, number: int = 0) -> NoticeKind | None:
    dropped = into.put(Item(Notice(kind=NoticeKind(kind), run_id=str(number)), float(number)))
    return None if dropped is None else dropped.notice.kind


def drained(out_of: Mailbag) -> list[tuple[str, str | None]]:
    sent = []
    while out_of.due_s() < math.inf:
        notice = out_of.take().notice
        sent.append((notice.kind.value, notice.run_id))
        out_of.end(SENT, 0.0, NOW_UTC)
    return sent


def test_messages_keep_their_order() -> None:
    filled = bag()
    for number, kind in enumerate(("started", "tripped", "paused", "finished")):
        put(filled, kind, number)
    assert [kind for kind, _ in drained(filled)] == ["started", "tripped", "paused", "finished"]


def test_trip_outlives_chatter() -> None:
    """With no room left, the oldest of the least is dropped; trips stay, the newest above all."""
    filled = bag()
    put(filled, "tripped", 0)
    for number in range(1, MOST_WAITING):
        put(filled, "started", number)
    assert put(filled, "tripped", 100) is NoticeKind.STARTED
    assert put(filled, "started", 101) is NoticeKind.STARTED
    sent = drained(filled)
    assert len(sent) == MOST_WAITING
    assert sent[0] == ("tripped", "0")
    assert ("tripped", "100") in sent
    assert ("started", "1") not in sent
    assert ("started", "2") not in sent


def test_newest_trip_stays() -> None:
    filled = bag()
    for number in range(MOST_WAITING):
        put(filled, "tripped", number)
    assert put(filled, "tripped", 999) is NoticeKind.TRIPPED
    assert put(filled, "started", 1000) is NoticeKind.STARTED, "the newcomer itself"
    sent = drained(filled)
    assert sent[-1] == ("tripped", "999")
    assert ("tripped", "0") not in sent


def test_waits_grow_then_end() -> None:
    """Six tries, each wait longer than the last, then the message is given up."""
    filled = bag()
    put(filled, "tripped")
    now_s, waited = 1000.0, []
    for _ in WAITS_S:
        filled.take()
        assert filled.end(UNREACHABLE, now_s, NOW_UTC)
        waited.append(filled.due_s() - now_s)
        now_s = filled.due_s()
    filled.take()
    assert not filled.end(UNREACHABLE, now_s, NOW_UTC)
    assert filled.due_s() == math.inf
    assert waited == list(WAITS_S)
    assert all(b > a for a, b in itertools.pairwise(WAITS_S))
    assert (filled.state().waiting, filled.state().lost) == (0, 1)


def test_failed_message_stays_first() -> None:
    """A later message ends the wait, and does not overtake."""
    filled = bag()
    put(filled, "started")
    put(filled, "paused")
    for now_s in (1000.0, 1010.0, 1040.0):
        assert filled.take().notice.kind is NoticeKind.STARTED
        filled.end(UNREACHABLE, now_s, NOW_UTC)
    assert filled.due_s() == 1040.0 + 90.0
    put(filled, "tripped")
    assert filled.due_s() == 1040.0 + FEWEST_S
    assert [kind for kind, _ in drained(filled)] == ["started", "paused", "tripped"]


def test_nothing_due_in_flight() -> None:
    filled = bag()
    assert filled.due_s() == math.inf
    put(filled, "started")
    put(filled, "finished")
    filled.take()
    assert filled.due_s() == math.inf
    assert filled.state().waiting == 2


@pytest.mark.parametrize(
    ("outcome", "is_final"),
    [
        (Outcome(ending=Ending.REFUSED, status=401), True),
        (Outcome(ending=Ending.REFUSED, status=404), True),
        (Outcome(ending=Ending.REFUSED, status=408), False),
        (Outcome(ending=Ending.REFUSED, status=429), False),
        (Outcome(ending=Ending.REFUSED, status=500), False),
        (Outcome(ending=Ending.REFUSED, status=503), False),
        (Outcome(ending=Ending.UNKNOWN_ADDRESS), True),
        (Outcome(ending=Ending.NOT_INSTALLED), True),
        (Outcome(ending=Ending.TIMED_OUT), False),
        (Outcome(ending=Ending.FAILED), False),
    ],
)
def test_what_is_tried_again(outcome: Outcome, is_final: bool) -> None:
    """What stays wrong is not tried again. Source: RFC 9110 section 15, RFC 6585 section 4."""
    filled = bag()
    put(filled, "tripped")
    filled.take()
    assert filled.end(outcome, 0.0, NOW_UTC) is not is_final
    assert "message." not in str(outcome)
    state = filled.state()
    assert (state.failed_at_utc, state.sent_at_utc) == (NOW_UTC, None)
    assert str(outcome) in state.line
