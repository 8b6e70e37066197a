"""What a lock screen shows: the news first, then figures, then what to do."""

from __future__ import annotations

import os
import time  # noqa: TID251 sets the time zone and reads no clock
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from controller.messages import TripReason
from controller.notices.notice import Found, Notice, NoticeKind
from controller.notices.sentences import LATE_S, body_of, title_of
from controller.texts import CATALOGUE

ALL = frozenset(NoticeKind)
NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)

CASES = [
    (NoticeKind(kind), case)
    for kind, case in (
        path.split(".")
        for path in CATALOGUE.part("message")
        if path.count(".") == 1 and path.split(".")[0] in set(NoticeKind)
    )
    if not case.endswith("_without_figures")
]


@pytest.fixture(autouse=True)
def two_hours_ahead() -> Iterator[None]:
    """Two hours ahead of UTC, so that a time in UTC would show."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "EET-2"
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


def body(
    kind: NoticeKind, *, on: frozenset[NoticeKind] = ALL, age_s: float = 0.0, **it: Any
) -> str:
    return body_of(Notice(kind=kind, **it), on, age_s)


def test_cases_are_found() -> None:
    assert {kind for kind, _ in CASES} == set(NoticeKind)
    assert (NoticeKind.TRIPPED, "welded") in CASES


@pytest.mark.parametrize("figures", [True, False])
@pytest.mark.parametrize(("kind", "case"), CASES)
def test_each_case_has_words(kind: NoticeKind, case: str, figures: bool) -> None:
    """Each case is a sentence, with its figures and without them."""
    known: dict[str, Any] = {}
    if figures:
        known = {"depth_mm": 0.2, "gauge_stop_mm": 0.1, "bath_degc": 41.0, "remaining_s": 600.0}
    shown = body(kind, case=case, found=Found(reason="lost_contact"), **known)
    assert "message." not in shown
    assert "None" not in shown
    assert "{" not in shown
    assert "News from the rig" not in shown
    assert shown[0].isupper()


@pytest.mark.parametrize("reason", list(TripReason))
def test_each_reason_says_what_to_do(reason: TripReason) -> None:
    """Each reason of a trip gives a title and advice, also without its figures."""
    shown = body(NoticeKind.TRIPPED, found=Found(reason=reason))
    assert shown.startswith("Power off: ")
    assert "guards." not in shown
    assert str(Found(reason=reason).finding.advice) in shown


def test_trip_reads_well() -> None:
    found = Found(reason=TripReason.OVER_VOLTAGE, value=6.5, limit=6.0, unit="V")
    assert body(NoticeKind.TRIPPED, found=found) == (
        "Power off: Too much voltage. The cell voltage is 6.50 V, over the limit of 6.00 V. Turn "
        "the supply down. Look for a loose clip, a low bath or a black film on the plate. Then "
        "acknowledge."
    )


def test_welded_relay_claims_no_off() -> None:
    """The power may still be on, and the message says so and nothing else."""
    found = Found(reason=TripReason.OVER_CURRENT, value=5.0, limit=4.0, unit="A")
    shown = body(NoticeKind.TRIPPED, case="welded", found=found)
    assert shown == (
        "PULL THE SUPPLY'S PLUG: the relay does not open, and the power may still be on. Go now."
    )


def test_unknown_case_is_said() -> None:
    assert body(NoticeKind.PAUSED, case="asleep") == "News from the rig: paused."


@pytest.mark.parametrize(
    ("bench", "piece", "title"),
    [
        ("", None, "biteclock"),
        ("Window bench", None, "Window bench"),
        ("Window bench", "reed panel", "Window bench: reed panel"),
        ("", "reed panel", "biteclock: reed panel"),
    ],
)
def test_title_names_bench_and_piece(bench: str, piece: str | None, title: str) -> None:
    assert title_of(Notice(kind=NoticeKind.FINISHED, bench=bench, piece=piece)) == title


# --- "next message by" ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "minutes"),
    [
        # 600 s to go, two minutes left after 480 s; times 1.5, and one minute.
        ({}, 13),
        ({"on": ALL - {NoticeKind.TWO_MINUTES_LEFT}}, 16),
        ({"until_stop_s": 200.0}, 6),
        ({"until_stop_s": 200.0, "on": ALL - {NoticeKind.GAUGE_STOP}}, 13),
        ({"remaining_s": 90.0}, 4),  # 90 s times 1.5 are 135 s; with one minute 195 s
    ],
)
def test_next_message_by(changes: dict[str, Any], minutes: int) -> None:
    """The time is the plan's, times the tolerance after which the bench ends the run itself."""
    known = {"at_utc": NOON, "remaining_s": 600.0, "late_fraction": 1.5}
    shown = body(NoticeKind.STARTED, **{**known, **changes})
    assert f"Next message by 14:{minutes:02d} ({minutes} min from the start)." in shown
    assert shown.endswith("go and look: a dead Pi sends nothing.")


def test_minutes_without_clock() -> None:
    shown = body(NoticeKind.STARTED, remaining_s=600.0, late_fraction=1.5)
    assert "Next message within 13 min." in shown
    assert ":" not in shown.split("Next message")[1].split(".")[0]


@pytest.mark.parametrize(
    "missing",
    [NoticeKind.FINISHED, NoticeKind.PAUSED, NoticeKind.STOPPED, NoticeKind.TRIPPED],
)
def test_no_promise_that_may_break(missing: NoticeKind) -> None:
    """Without one of the messages that could come next, none is promised."""
    shown = body(NoticeKind.STARTED, remaining_s=600.0, at_utc=NOON, on=ALL - {missing})
    assert "Next message" not in shown


def test_late_message_says_so() -> None:
    """A message that waited gives its age and promises nothing."""
    late = body(NoticeKind.STARTED, remaining_s=600.0, at_utc=NOON, age_s=LATE_S + 61.0)
    assert "Next message" not in late
    assert late.endswith("Sent late: this happened 3 min ago.")
    assert "Sent late" not in body(NoticeKind.FINISHED, age_s=LATE_S)
