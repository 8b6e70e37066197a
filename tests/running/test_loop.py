"""The loop: its rate, its answers, its followers, its end.

The supervisor, the gate and the clock are the real ones.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import pytest

from controller.errors import LoopNotAliveError, WrongStateError
from controller.messages import OffRequest, RunState, Snapshot
from controller.running.loop import MAILBOX, PUBLISH_S, SETTLE_S, Board, ControlLoop
from controller.safety.outbox import OutboxItem
from hardware.clock import LockstepPacer, VirtualClock
from tests.kits.doubles import POLL_S, Bench, make_bench

S = RunState


@dataclass
class Onlooker:
    """Keep each snapshot, then call ``then``."""

    then: Callable[[Snapshot], None] = lambda _snapshot: None
    snapshots: list[Snapshot] = field(default_factory=list)
    outbox: list[OutboxItem] = field(default_factory=list)

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        self.snapshots.append(snapshot)
        self.outbox.extend(outbox)
        self.then(snapshot)


class Looped:
    """A supervisor under a real loop."""

    def __init__(
        self, reading: Callable[[float], tuple[float, float]] | None = None, *onlookers: Onlooker
    ) -> None:
        self.bench: Bench = make_bench(reading)
        self.heart = VirtualClock(start_s=1.0)
        self.onlooker = Onlooker()
        self.loop = ControlLoop(
            supervisor=self.bench.supervisor,
            gate=self.bench.gate,
            clock=self.bench.clock,
            pacer=LockstepPacer(self.bench.clock),
            period_s=POLL_S,
            board=Board(self.heart),
            followers=[*onlookers, self.onlooker],
        )
        self.passes_at_s: list[float] = []
        tick = self.bench.supervisor.tick

        self.longest_s = float("inf")

        def noted_tick() -> None:
            self.passes_at_s.append(self.bench.clock.monotonic_s())
            if self.passes_at_s[-1] > self.longest_s:
                pytest.fail("the loop goes on after its end was requested")
            tick()

        self.bench.supervisor.tick = noted_tick  # type: ignore[method-assign]

    def end_at(self, seconds: float, before: Callable[[], None] = lambda: None) -> None:
        """Request the end of the loop once so much virtual time has passed."""
        at_s = self.bench.clock.monotonic_s() + seconds
        self.longest_s = at_s + 5.0

        def look(snapshot: Snapshot) -> None:
            if snapshot.at_s >= at_s:
                before()
                self.loop.end()

        self.onlooker.then = look

    def shut_down_at(self, seconds: float) -> None:
        self.end_at(seconds, lambda: self.bench.gate.revoke(OffRequest.SHUTDOWN))

    def steps(self, seconds: float) -> None:
        for _ in range(round(seconds / POLL_S)):
            self.loop.step()
            self.bench.clock.advance(POLL_S)

    def running(self) -> None:
        self.steps(0.2)
        self.bench.start()
        self.steps(3.0)
        assert self.bench.supervisor.state is S.RUNNING


# --- rate -----------------------------------------------------------------------------------------


def test_fixed_rate_without_drift() -> None:
    """Passes come at a fixed rate and do not drift."""
    looped = Looped()
    start_s = looped.bench.clock.monotonic_s()
    looped.end_at(100.0)
    looped.loop.run()
    in_time = [at_s for at_s in looped.passes_at_s if at_s < start_s + 100.0 - POLL_S / 2]
    assert len(in_time) == 5000
    assert in_time[4000] - start_s == pytest.approx(80.0, abs=1e-6)


def test_late_passes_are_skipped() -> None:
    """Passes that are missed are skipped and not made up for."""
    looped = Looped()
    start_s = looped.bench.clock.monotonic_s()
    poll = looped.bench.sensor.poll

    def slow_once() -> Any:
        if len(looped.passes_at_s) == 10:
            looped.bench.clock.advance(0.5)
        return poll()

    looped.bench.sensor.poll = slow_once  # type: ignore[method-assign]
    looped.end_at(1.0)
    looped.loop.run()
    times_s = [at_s - start_s for at_s in looped.passes_at_s]
    # The tenth pass begins at 0.18 s and takes half a second. The next one comes at once, and then
    # one each period again.
    assert times_s[9:13] == pytest.approx([0.18, 0.68, 0.70, 0.72])
    assert all(b - a == pytest.approx(POLL_S) for a, b in pairwise(times_s[10:31]))


# --- publishing -----------------------------------------------------------------------------------


def test_when_snapshots_come() -> None:
    """A snapshot comes each quarter of a second and with every event."""
    looped = Looped()
    looped.steps(2.0)
    quiet = [snapshot.at_s for snapshot in looped.onlooker.snapshots]
    assert all(0.0 < b - a <= PUBLISH_S + POLL_S for a, b in pairwise(quiet))
    assert len(quiet) <= 2.0 / PUBLISH_S + 1
    count = len(quiet)
    looped.bench.start()
    looped.loop.step()
    assert len(looped.onlooker.snapshots) == count + 1
    assert looped.onlooker.snapshots[-1].state is S.CHECKING
    assert [snapshot.sequence for snapshot in looped.onlooker.snapshots] == list(
        range(1, count + 2)
    )
    assert looped.loop.board.snapshot is looped.onlooker.snapshots[-1]


def test_failing_follower_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """A follower that raises stops neither the run nor the other followers."""

    def fail(_snapshot: Snapshot) -> None:
        raise OSError("the card is full")

    looped = Looped(None, Onlooker(fail))
    with caplog.at_level(logging.CRITICAL + 1, logger="biteclock"):
        looped.running()
    assert looped.bench.gate.reads_on()
    assert looped.onlooker.snapshots[-1].state is S.RUNNING
    caplog.clear()
    looped.steps(0.3)
    assert "Onlooker failed on a snapshot. The run continues." in caplog.text


def test_late_follower_comes_last() -> None:
    """A follower that is added later is called after the others."""
    looped, late, order = Looped(), Onlooker(), []
    looped.onlooker.then = lambda _snapshot: order.append("first")
    late.then = lambda _snapshot: order.append("late")
    looped.loop.add_follower(late)
    looped.loop.step()
    assert order == ["first", "late"]


def test_unknown_figures_are_none() -> None:
    """What is not known is None in the snapshot."""
    looped = Looped()
    looped.loop.step()
    first = looped.onlooker.snapshots[0]
    assert first.state is S.IDLE
    assert (
        first.depth_mm,
        first.charge_coulombs,
        first.remaining_s,
        first.zero_offset_a,
        first.bath_degc,
    ) == (None,) * 5
    assert first.relay_on is False


def test_a_running_snapshot() -> None:
    looped = Looped()
    looped.running()
    looped.steps(60.0)
    shown = looped.onlooker.snapshots[-1]
    assert shown.relay_on
    assert shown.metal == "fine-silver"
    assert shown.target_depth_mm == 0.25
    assert shown.depth_low_mm < shown.depth_mm < shown.depth_high_mm  # type: ignore[operator]
    assert shown.current_a == pytest.approx(3.0)
    assert shown.current_density_a_per_dm2 == pytest.approx(3.0 / 0.0767, rel=1e-3)
    assert shown.charge_coulombs == pytest.approx(3.0 * shown.on_time_s, rel=0.01)
    remaining_s = shown.planned_s - shown.on_time_s  # type: ignore[operator]
    assert shown.remaining_s == pytest.approx(remaining_s, rel=0.01)
    assert shown.sample_age_s is not None
    assert 0.0 <= shown.sample_age_s < 0.1


def test_sample_age_keeps_rising() -> None:
    """While no sample comes, the age in the snapshot rises."""
    looped = Looped()
    looped.steps(1.0)
    looped.bench.sensor.frozen = True
    last_s = looped.bench.freshness.taken_at_s
    looped.steps(0.9)
    shown = looped.onlooker.snapshots[-1]
    assert shown.sample_age_s == pytest.approx(shown.at_s - last_s)
    assert shown.sample_age_s > 0.6


# --- commands -------------------------------------------------------------------------------------


def test_snapshot_precedes_answer() -> None:
    """A command is answered after the snapshot that shows its effect."""
    looped = Looped()
    looped.steps(0.2)
    seen: list[RunState] = []
    future = looped.loop.submit(looped.bench.start)
    future.add_done_callback(
        lambda _future: seen.append(looped.loop.board.snapshot.state)  # type: ignore[union-attr]
    )
    assert not future.done()
    looped.loop.step()
    assert future.done()
    assert seen == [S.CHECKING]


def test_failed_command_returns_error() -> None:
    """A command that raises is answered with its error, and the loop goes on."""
    looped = Looped()
    looped.steps(0.2)
    refused, fine = looped.loop.submit(looped.bench.supervisor.pause), looped.loop.submit(lambda: 7)
    looped.loop.step()
    with pytest.raises(WrongStateError, match="Cannot pause while the rig is idle"):
        refused.result(timeout=0)
    assert fine.result(timeout=0) == 7


def test_withdrawn_command_does_nothing() -> None:
    looped = Looped()
    done: list[int] = []
    future = looped.loop.submit(lambda: done.append(1))
    assert future.cancel()
    looped.loop.step()
    assert done == []
    with pytest.raises(CancelledError):
        future.result(timeout=0)


def test_full_mailbox_refuses() -> None:
    """A full mailbox refuses commands, and one pass empties it."""
    looped = Looped()
    futures = [looped.loop.submit(lambda i=i: i) for i in range(MAILBOX)]
    with pytest.raises(
        LoopNotAliveError, match=f"{MAILBOX} commands are waiting, and none has been answered"
    ):
        looped.loop.submit(lambda: None)
    looped.loop.step()
    assert [future.result(timeout=0) for future in futures] == list(range(MAILBOX))
    assert looped.loop.submit(lambda: None).cancel()


# --- heart beat -----------------------------------------------------------------------------------


def test_only_complete_passes_count(caplog: pytest.LogCaptureFixture) -> None:
    """A pass that fails does not count as a sign of life."""
    looped = Looped()
    looped.heart.advance(3.0)
    assert looped.loop.board.silent_s() == 3.0
    looped.loop.step()
    assert looped.loop.board.silent_s() == 0.0
    looped.bench.sensor.error = ZeroDivisionError("bug")
    looped.heart.advance(2.0)
    looped.bench.clock.advance(0.1)
    looped.loop.step()
    assert looped.loop.board.silent_s() == 2.0
    assert "A pass of the control loop failed. The relay was turned off." in caplog.text


def test_complete_passes_notify_watchdog() -> None:
    """Each completed pass notifies the watchdog, and a failed one does not."""
    looped = Looped()
    beats: list[float] = []
    looped.loop.board = Board(looped.heart, beats.append)
    looped.heart.advance(1.0)
    looped.loop.step()
    looped.bench.sensor.error = ZeroDivisionError("bug")
    looped.bench.clock.advance(0.1)
    looped.loop.step()
    looped.bench.sensor.error = None
    looped.heart.advance(1.0)
    looped.loop.step()
    assert beats == [2.0, 3.0]


# --- the end --------------------------------------------------------------------------------------


def test_end_settles_to_zero() -> None:
    """At the end the loop settles until the current is zero and leaves the relay off."""
    looped = Looped()
    looped.running()
    looped.shut_down_at(5.0)
    looped.loop.run()
    bench = looped.bench
    assert not bench.gate.reads_on()
    assert bench.supervisor.state is S.INTERRUPTED
    assert bench.supervisor.run is not None
    assert not bench.supervisor.run.counter.is_counting, "the last charge is counted"
    assert looped.onlooker.snapshots[-1].state is S.INTERRUPTED
    assert (
        looped.onlooker.snapshots[-1].charge_coulombs
        == bench.supervisor.run.counter.charge_coulombs
    )


def test_settling_is_bounded() -> None:
    """Settling is bounded, even if the current does not fall to zero."""
    looped = Looped()
    looped.running()
    bench, poll = looped.bench, looped.bench.sensor.poll

    def three_amperes() -> Any:
        return (s := poll()) and s.__class__(s.taken_at_s, 3.0, 3.0)

    bench.sensor.poll = three_amperes  # type: ignore[method-assign]
    ended_s: list[float] = []
    looped.end_at(
        1.0,
        lambda: (ended_s.append(bench.clock.monotonic_s()), bench.gate.revoke(OffRequest.SHUTDOWN)),
    )  # type: ignore[arg-type]
    looped.loop.run()
    assert not bench.gate.reads_on()
    assert bench.clock.monotonic_s() - ended_s[0] <= SETTLE_S + 2 * POLL_S + 1e-6


def test_idle_loop_ends_at_once() -> None:
    looped = Looped()
    looped.end_at(1.0)
    looped.loop.run()
    last = next(
        i for i, s in enumerate(looped.onlooker.snapshots) if s.at_s >= looped.passes_at_s[0] + 1.0
    )
    assert looped.onlooker.snapshots[last].at_s == pytest.approx(
        looped.passes_at_s[-2], abs=1e-6
    ), "one more pass"


def test_end_in_mid_run() -> None:
    """An end in mid-run leaves the relay off, whoever asked for it."""
    looped = Looped()
    looped.running()
    looped.end_at(1.0)
    looped.loop.run()
    assert not looped.bench.gate.reads_on()
    assert looped.bench.supervisor.state is S.INTERRUPTED


def test_end_turns_off_first() -> None:
    looped = Looped()
    looped.running()
    looped.loop.end()
    assert not looped.bench.gate.reads_on()


def test_loop_ends_when_done() -> None:
    """The loop also ends when its condition is met."""
    looped = Looped()
    looped.longest_s = looped.bench.clock.monotonic_s() + 10.0
    looped.loop.run(lambda: len(looped.passes_at_s) >= 7)
    assert len(looped.passes_at_s) == 8, "seven, and one that settles"
    assert not looped.bench.gate.reads_on()


def test_early_end_is_kept() -> None:
    """An end that is asked for before the loop runs is kept."""
    looped = Looped()
    looped.longest_s = looped.bench.clock.monotonic_s() + 5.0
    looped.loop.end()
    looped.loop.run()
    assert len(looped.passes_at_s) == 1


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, GeneratorExit])
def test_fatal_exception_turns_off(error: type[BaseException]) -> None:
    """An exception that ends the loop leaves the relay off."""
    looped = Looped()
    looped.running()
    looped.bench.sensor.error = error()
    assert looped.bench.gate.reads_on()
    with pytest.raises(error):
        looped.loop.run()
    assert not looped.bench.gate.reads_on()
    assert looped.bench.supervisor.state is S.TRIPPED


def test_pacer_exception_turns_off() -> None:
    """An exception from the pacer leaves the relay off."""
    looped = Looped()
    looped.running()

    def interrupted(_deadline_s: float) -> None:
        raise KeyboardInterrupt

    looped.loop._pacer.wait_until = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        looped.loop.run()
    assert not looped.bench.gate.reads_on()


def test_bug_turns_off(caplog: pytest.LogCaptureFixture) -> None:
    """A bug in a pass turns the relay off, and the loop goes on and reports it."""
    looped = Looped()
    looped.running()
    looped.bench.sensor.error = ZeroDivisionError("bug")
    looped.steps(0.1)
    assert not looped.bench.gate.reads_on()
    looped.bench.sensor.error = None
    looped.steps(1.0)
    assert looped.onlooker.snapshots[-1].state is S.TRIPPED
    assert "ZeroDivisionError" in caplog.text
