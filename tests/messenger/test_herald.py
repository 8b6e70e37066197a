"""The bench's news: one notice for each event, and none for what a person at the bench did."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.messages import EventKind, Finding, RunState, Snapshot, TripReason
from controller.notices.herald import Herald, until_stop_s
from controller.notices.notice import MAX_BYTES, Notice, NoticeKind, short
from controller.notices.two_minutes import TwoMinutes
from controller.planning.plan import make_plan
from controller.running.snapshot import take_snapshot
from controller.safety.outbox import Changed
from controller.safety.run import new_run
from controller.safety.trends import bath_warnings
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench, silver_request


class Listener:
    """Runs a bench and keeps the notices."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.datagrams: list[bytes] = []
        self.herald = Herald(self.datagrams.append, bench.clock, "Bench one", 1.5)

    def snapshot(self, **changes: Any) -> Snapshot:
        bench = self.bench
        taken = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
        return replace(taken, **changes)

    def listen(self, **changes: Any) -> None:
        self.herald.follow(self.snapshot(**changes), self.bench.supervisor.take_outbox())

    def run_until(self, *states: RunState, within_s: float = 2000.0) -> None:
        """Run passes; follow four times a second, as the loop does, and at each change."""
        deadline_s = self.bench.clock.monotonic_s() + within_s
        followed_at_s = 0.0
        while self.bench.supervisor.state not in states:
            assert self.bench.clock.monotonic_s() < deadline_s
            self.bench.tick()
            now_s = self.bench.clock.monotonic_s()
            if self.bench.supervisor.has_changed or now_s - followed_at_s >= 0.25:
                followed_at_s = now_s
                self.listen()
        self.listen()

    def notices(self) -> list[Notice]:
        notices = [Notice.from_datagram(it) for it in self.datagrams]
        assert None not in notices
        return [it for it in notices if it is not None]

    def news(self) -> list[tuple[str, str]]:
        return [(it.kind.value, it.case) for it in self.notices()]


def running(**changes: Any) -> Listener:
    listener = Listener(make_bench())
    listener.bench.start(silver_request(piece="reed panel", **changes))
    listener.run_until(RunState.RUNNING)
    return listener


def test_whole_run() -> None:
    """A run with a gauge stop gives its notices in order, two minutes left exactly once."""
    listener = running(gauge_stops_mm=(0.1,))
    listener.run_until(RunState.PAUSED)
    listener.bench.supervisor.resume()
    listener.run_until(RunState.FINISHED)
    assert listener.news() == [
        ("started", "plain"),
        ("gauge_stop", "plain"),
        ("started", "again"),
        ("two_minutes_left", "plain"),
        ("finished", "plain"),
    ]
    started, stop, _, two, finished = listener.notices()
    assert {it.piece for it in listener.notices()} == {"reed panel"}
    assert {it.bench for it in listener.notices()} == {"Bench one"}
    assert started.remaining_s == pytest.approx(600.0, rel=0.05)
    assert started.until_stop_s == pytest.approx(240.0, rel=0.05)
    assert started.late_fraction == 1.5
    assert stop.gauge_stop_mm == 0.1
    assert two.remaining_s == pytest.approx(120.0, abs=0.5)
    assert finished.depth_mm == pytest.approx(0.25, abs=0.001)


def test_trip_with_its_figures() -> None:
    listener = running()
    listener.bench.supervisor.cut(Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V"))
    listener.listen()
    tripped = listener.notices()[-1]
    assert (tripped.kind, tripped.case) == (NoticeKind.TRIPPED, "plain")
    assert tripped.found is not None
    assert tripped.found.finding == Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V")


def test_question_pauses() -> None:
    listener = running()
    listener.bench.supervisor.cut(Finding(TripReason.LOST_CONTACT, 0.01, 0.3, "A"))
    listener.listen()
    assert listener.news()[-1] == ("paused", "asks")


def test_welded_relay_is_news_again() -> None:
    """A weld found after a trip is a second notice, and the last one."""
    listener = running()
    supervisor = listener.bench.supervisor
    supervisor.cut(Finding(TripReason.OVER_CURRENT, 5.0, 4.0, "A"))
    listener.listen()
    supervisor.is_welded = True
    supervisor.cut(Finding(TripReason.RELAY_WELDED, 3.0, 0.02, "A"))
    supervisor._trip(Finding(TripReason.RELAY_WELDED, 3.0, 0.02, "A"))
    listener.listen()
    supervisor._trip(Finding(TripReason.RELAY_WELDED, 3.0, 0.02, "A"))
    listener.listen()
    assert listener.news()[1:] == [("tripped", "plain"), ("tripped", "welded")]


@pytest.mark.parametrize(
    ("command", "news"),
    [("pause", ("paused", "by_hand")), ("stop", ("stopped", "plain"))],
)
def test_promise_is_withdrawn(command: str, news: tuple[str, str]) -> None:
    """Who waits for the promised message is not left to think that the Pi is dead."""
    listener = running()
    if command == "pause":
        listener.bench.supervisor.pause()
    else:
        from controller.messages import OffRequest

        listener.bench.gate.revoke(OffRequest.STOP)
        listener.bench.tick()
    listener.listen()
    assert listener.news()[-1] == news


def test_hands_at_the_bench() -> None:
    """Acknowledging a trip and stopping a paused run is no news: a person is there."""
    listener = running()
    listener.bench.supervisor.cut(Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V"))
    listener.listen()
    before = len(listener.datagrams)
    listener.bench.run_for(3.0)
    listener.bench.supervisor.acknowledge()
    listener.listen()
    assert listener.bench.supervisor.state is RunState.PAUSED
    assert len(listener.datagrams) == before


def test_hot_bath() -> None:
    listener = running()
    warning = bath_warnings(40.0, 0.0, listener.bench.settings.limits)[0]
    listener.bench.supervisor.note(warning, EventKind.WARNING)
    listener.listen(bath_degc=40.0)
    hot = listener.notices()[-1]
    assert (hot.kind, hot.bath_degc) == (NoticeKind.BATH_HOT, 40.0)
    listener.bench.supervisor.note(Message("guards.warning.soak_unknown"), EventKind.WARNING)
    listener.listen()
    assert listener.notices()[-1] == hot


@pytest.mark.parametrize("is_restart", [True, False])
def test_interrupted_both_ways(is_restart: bool) -> None:
    if is_restart:
        listener = Listener(make_bench())
        plan = make_plan(silver_request(), listener.bench.settings, 16.0)
        run = new_run("r1", plan, listener.bench.settings.limits)
        listener.bench.supervisor.restore(run, Message("run.restored.interrupted"))
    else:
        from controller.messages import OffRequest

        listener = running()
        listener.bench.gate.revoke(OffRequest.SHUTDOWN)
        listener.bench.tick()
    listener.listen()
    case = "restarted" if is_restart else "shut_down"
    assert listener.news()[-1] == ("interrupted", case)


def test_clock_not_set() -> None:
    listener = Listener(make_bench())
    listener.bench.clock.utc_is_set = False
    listener.bench.start()
    listener.run_until(RunState.RUNNING)
    assert listener.notices()[0].at_utc is None


def test_off_came_first() -> None:
    """A start that a request for off overtook in the same pass is no news."""
    listener = Listener(make_bench())
    turned_on = Changed(1.0, "r1", RunState.CHECKING, RunState.RUNNING, None, None, None)
    listener.herald.follow(listener.snapshot(state=RunState.CHECKING), [turned_on])
    assert listener.news() == []
    listener.herald.follow(listener.snapshot(state=RunState.RUNNING), [turned_on])
    assert listener.news() == [("started", "plain")]


def test_impossible_figure_left_out() -> None:
    """A figure that cannot be never keeps the news of a trip back."""
    listener = running()
    listener.bench.supervisor.cut(Finding(TripReason.OVER_VOLTAGE, float("nan"), 6.0, "V"))
    listener.listen(depth_mm=-1.0)
    tripped = listener.notices()[-1]
    assert (tripped.kind, tripped.depth_mm, tripped.bench) == ("tripped", None, "Bench one")
    assert tripped.found is not None
    assert tripped.found.reason is TripReason.OVER_VOLTAGE


def test_datagrams_are_small() -> None:
    """The longest names of four bytes a letter still fit."""
    listener = Listener(make_bench())
    listener.herald = Herald(
        listener.datagrams.append, listener.bench.clock, "\U0001f41f" * 200, 1.5
    )
    listener.bench.start()
    listener.bench.tick(200)
    listener.listen(piece="\U0001f41f" * 200)
    assert listener.datagrams
    assert max(map(len, listener.datagrams)) < MAX_BYTES / 2
    assert short("a\nb\x00\u202ec") == "a b c"


# --- two minutes left -----------------------------------------------------------------------------


def left(*seconds: float | None, run_id: str = "r1") -> list[bool]:
    taken = Listener(make_bench()).snapshot(state=RunState.RUNNING, run_id=run_id)
    watch = TwoMinutes()
    return [watch.has_come(replace(taken, remaining_s=it)) for it in seconds]


@pytest.mark.parametrize(
    ("seconds", "calls"),
    [
        ((300.0, 121.0, 120.0, 119.0, 5.0), [2]),
        ((300.0, 119.0, 130.0, 119.0), [1]),
        ((300.0, None, 119.0), [2]),
        ((100.0, 90.0), []),
    ],
    ids=["passing", "wobbling", "no current", "first seen late"],
)
def test_two_minutes_once(seconds: tuple[float | None, ...], calls: list[int]) -> None:
    assert [place for place, called in enumerate(left(*seconds)) if called] == calls


def test_two_minutes_per_run() -> None:
    """The next run gets its own call; a state without current gives none."""
    taken = Listener(make_bench()).snapshot(state=RunState.RUNNING, remaining_s=300.0)
    watch = TwoMinutes()
    calls = []
    for run_id in ("r1", "r2"):
        for change in ({}, {"state": RunState.PAUSED, "remaining_s": 60.0}, {"remaining_s": 100.0}):
            calls.append(watch.has_come(replace(taken, **{"run_id": run_id, **change})))
    assert calls == [False, False, True] * 2


@pytest.mark.parametrize(
    ("changes", "expected_s"),
    [
        ({}, 300.0),
        ({"depth_mm": 0.1}, 0.0),
        ({"depth_mm": 0.3}, None),
        ({"next_gauge_stop_mm": None}, None),
        ({"remaining_s": None}, None),
    ],
)
def test_time_to_gauge_stop(changes: dict[str, Any], expected_s: float | None) -> None:
    """Half of the depth still to go takes half of the time."""
    known = {
        "remaining_s": 600.0, "depth_mm": 0.05, "target_depth_mm": 0.15, "next_gauge_stop_mm": 0.1,
    }  # fmt: skip
    snapshot = Listener(make_bench()).snapshot(**{**known, **changes})
    assert until_stop_s(snapshot) == (None if expected_s is None else pytest.approx(expected_s))
