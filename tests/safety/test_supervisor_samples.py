"""The state machine sample by sample: times, messages, charge after off, welds, the dead man."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest

from controller.errors import BiteclockError, SensorError, WrongStateError
from controller.messages import EventKind, Finding, OffRequest, RunState, Sample, TripReason
from controller.safety.outbox import Began, Changed, Counted, Kept, Noted, OutboxItem, Seen
from controller.safety.run import ActiveRun
from controller.texts import Message
from hardware.clock import VirtualClock
from tests.kits import doubles
from tests.kits.doubles import Bench, make_bench, silver_request
from tests.safety.test_supervisor import bench_in

S = RunState

OFFSET_A = 0.001
"""What the scripted sensor reads without current."""


@pytest.fixture
def exact(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """An idle bench whose clock is at a round number, so that limits in time are met exactly."""
    monkeypatch.setattr(doubles, "VirtualClock", lambda: VirtualClock(start_s=1024.0))
    return make_bench()


def outbox_of(bench: Bench) -> list[OutboxItem]:
    """Return what happened since the last call, without the checkpoints."""
    return [item for item in bench.supervisor.take_outbox() if not isinstance(item, Kept)]


def feed(bench: Bench, *samples: Sample) -> list[OutboxItem]:
    """Make a pass for each sample with the clock stopped; return the outbox of these passes."""
    outbox_of(bench)
    queue, poll = list(samples), bench.sensor.poll
    bench.sensor.poll = lambda: queue.pop(0)  # type: ignore[method-assign]
    for _ in samples:
        bench.supervisor.tick()
    bench.sensor.poll = poll  # type: ignore[method-assign]
    return outbox_of(bench)


def after(
    bench: Bench,
    seconds: float,
    current_a: float = 3.0,
    voltage_v: float = 3.0,
    averaged: bool = True,
) -> Sample:
    """A raw sample that follows the newest one; ``current_a`` has the offset taken out."""
    assert bench.supervisor.last_sample is not None
    at_s = bench.supervisor.last_sample.taken_at_s + seconds
    return Sample(at_s, current_a + OFFSET_A, voltage_v, averaged=averaged)


def run_of(bench: Bench) -> ActiveRun:
    assert bench.supervisor.run is not None
    return bench.supervisor.run


ACKNOWLEDGED = Message("supervisor.state.acknowledged")


def reason_of(bench: Bench) -> TripReason | None:
    return None if bench.supervisor.finding is None else bench.supervisor.finding.reason


def test_new_supervisor() -> None:
    """A new supervisor knows nothing."""
    new = make_bench().supervisor
    assert new.state is S.IDLE
    assert (
        new.finding
        is new.run
        is new.last_sample
        is new.zero_offset_a
        is new.message
        is new.sensor_finding
        is None
    )
    assert new.report_check() is None
    assert new.is_welded is new.has_changed is False
    assert new.take_outbox() == []


@pytest.mark.parametrize("state", [state for state in S if state is not S.RUNNING])
def test_relay_on_outside_run(
    state: RunState,
) -> None:
    """A relay that is on outside a run goes off at the next pass."""
    bench = bench_in(state)
    bench.pin.on()
    bench.supervisor.tick()
    assert not bench.gate.reads_on()
    bench.sensor.error = SensorError("wire off")
    bench.pin.on()
    bench.supervisor.tick()
    assert not bench.gate.reads_on()


def test_failed_sensor_is_polled_again(
    exact: Bench,
) -> None:
    """Each second outside a run, and at once by a start."""
    asked_s: list[float] = []

    def fail() -> Sample | None:
        asked_s.append(exact.clock.monotonic_s() - 1024.0)
        raise SensorError("wire off")

    exact.sensor.poll = fail  # type: ignore[method-assign]
    for at_s in (0.0, 0.5, 0.9375, 1.0, 1.5, 2.0, 2.5):
        exact.clock.advance_to(1024.0 + at_s)
        exact.supervisor.tick()
    assert asked_s == [0.0, 1.0, 2.0]
    assert exact.supervisor.state is S.IDLE
    found = exact.supervisor.sensor_finding
    assert found == Finding(TripReason.SENSOR_FAULT, cause=SensorError("wire off").message)
    exact.start()
    exact.supervisor.tick()
    assert asked_s == [0.0, 1.0, 2.0, 2.5]
    assert reason_of(exact) is TripReason.SENSOR_FAULT


def test_stale_above_limit(exact: Bench) -> None:
    """A sample is stale above the limit and not at it."""
    exact.sensor.frozen = True
    exact.clock.advance_to(1025.0)
    exact.supervisor.tick()
    assert exact.supervisor.sensor_finding is None
    exact.clock.advance_to(1025.5)
    exact.supervisor.tick()
    assert exact.supervisor.sensor_finding == Finding(TripReason.SENSOR_STALE, 1.5, 1.0, "s")


def test_start_after_silence() -> None:
    """A start after a long silence waits a second for a sample."""
    bench = make_bench()
    bench.sensor.frozen = True
    bench.run_for(5.0)
    bench.start()
    bench.run_for(0.9)
    assert bench.supervisor.state is S.CHECKING
    bench.until(S.TRIPPED, within_s=0.2)
    assert reason_of(bench) is TripReason.SENSOR_STALE


def test_error_after_silence() -> None:
    """An error that follows a silence is reported as the silence."""
    for silence_s, reason in ((0.5, TripReason.SENSOR_FAULT), (1.5, TripReason.SENSOR_STALE)):
        bench = make_bench()
        bench.start()
        bench.clock.advance(silence_s)
        bench.sensor.error = SensorError("wire off")
        bench.supervisor.tick()
        assert reason_of(bench) is reason


# --- requests for off ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "by"),
    [(OffRequest.STOP, "stopped"), (OffRequest.STOP_BUTTON, "stopped_by_button")],
)
def test_stop_names_its_source(request_: OffRequest, by: str) -> None:
    """The message says what asked for the stop."""
    for state, message in (
        (S.RUNNING, Message(f"supervisor.state.{by}")),
        (S.FINISHED, Message("supervisor.state.target_reached")),
        (S.IDLE, None),
    ):
        bench = bench_in(state)
        bench.gate.revoke(request_)
        bench.supervisor.tick()
        assert bench.supervisor.message == message
        assert bench.gate.standing_request() is None


def test_age_watch_request() -> None:
    """It ends a check, is cleared in a pause, and stays in a trip until acknowledged."""
    checking = bench_in(S.CHECKING)
    checking.gate.revoke(OffRequest.SENSOR_STALE)
    checking.supervisor.tick()
    assert reason_of(checking) is TripReason.SENSOR_STALE
    paused = bench_in(S.PAUSED)
    paused.gate.revoke(OffRequest.SENSOR_STALE)
    paused.supervisor.tick()
    assert paused.supervisor.state is S.PAUSED
    assert paused.gate.standing_request() is None
    tripped = bench_in(S.TRIPPED)
    tripped.gate.revoke(OffRequest.SENSOR_STALE)
    tripped.supervisor.tick()
    assert tripped.gate.standing_request() is not None
    tripped.supervisor.acknowledge()
    assert tripped.gate.standing_request() is None


def test_shutdown_interrupts_work() -> None:
    """A shutdown interrupts a check or a run, and changes no other state."""
    for state, then in (
        (S.CHECKING, S.INTERRUPTED),
        (S.RUNNING, S.INTERRUPTED),
        (S.PAUSED, S.PAUSED),
        (S.FINISHED, S.FINISHED),
    ):
        bench = bench_in(state)
        bench.gate.revoke(OffRequest.SHUTDOWN)
        bench.supervisor.tick()
        assert bench.supervisor.state is then
        is_said = bench.supervisor.message == Message("supervisor.state.shut_down")
        assert is_said == (then is S.INTERRUPTED)
        assert bench.gate.standing_request() == (OffRequest.SHUTDOWN, 1)


@pytest.mark.parametrize("request_", [OffRequest.STOP, OffRequest.STOP_BUTTON])
@pytest.mark.parametrize("state", [S.CHECKING, S.RUNNING, S.PAUSED])
def test_stop_then_shutdown(state: RunState, request_: OffRequest) -> None:
    """A Stop and then the end of the service, before one pass: the run is over, not interrupted."""
    bench = bench_in(state)
    bench.gate.revoke(request_)
    bench.gate.revoke(OffRequest.SHUTDOWN)
    bench.tick(2)
    assert bench.supervisor.state is S.STOPPED
    assert bench.gate.standing_request() == (OffRequest.SHUTDOWN, 2)


def test_off_before_turn_on() -> None:
    """A request for off before the relay turns on leads back to the check, and is reported."""
    bench = make_bench()
    bench.start()
    real_turn_on = bench.gate.turn_on

    def stop_first() -> None:
        bench.gate.revoke(OffRequest.STOP)
        real_turn_on()

    bench.gate.turn_on = stop_first  # type: ignore[method-assign]
    bench.until(S.STOPPED, within_s=5.0)
    changes = [
        (n.was, n.state, n.message.key.removeprefix("supervisor.state."))
        for n in outbox_of(bench)
        if isinstance(n, Changed) and n.message is not None
    ]
    assert changes == [
        (S.IDLE, S.CHECKING, "checking"),
        (S.CHECKING, S.RUNNING, "relay_on"),
        (S.RUNNING, S.CHECKING, "off_came_first"),
        (S.CHECKING, S.STOPPED, "stopped"),
    ]


# --- samples of a run ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_a", "voltage_v"),
    [(math.nan, 3.0), (3.0, math.nan), (math.inf, 3.0), (3.0, -math.inf)],
)
def test_not_a_number(current_a: float, voltage_v: float) -> None:
    """A reading that is not a number ends the run and does not count as fresh."""
    bench = bench_in(S.RUNNING)
    fresh_s, charge = bench.freshness.taken_at_s, run_of(bench).counter.charge_coulombs
    feed(bench, Sample(bench.clock.monotonic_s(), current_a, voltage_v))
    assert reason_of(bench) is TripReason.SENSOR_FAULT
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.cause == Message("guards.sensor_fault.no_number")
    assert bench.freshness.taken_at_s == fresh_s
    assert run_of(bench).counter.charge_coulombs == charge


def test_no_offset() -> None:
    """A sensor without any offset is taken as it reads."""
    bench = make_bench()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (  # type: ignore[method-assign]
        (s := poll()) and replace(s, current_a=s.current_a - OFFSET_A)
    )
    bench.tick()
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == 0.0
    bench.running(for_s=1.0)
    assert bench.supervisor.zero_offset_a == 0.0
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.0, rel=1e-12)


def test_counting_begins_before_on() -> None:
    """Counting begins at the last sample with the relay off."""
    bench = make_bench()
    bench.running()
    before = bench.supervisor.last_sample
    assert before is not None
    counted = feed(bench, after(bench, 0.0625, 3.0))[-1]
    assert isinstance(counted, Counted)
    assert (counted.sample.current_a, counted.bath_degc) == (pytest.approx(3.0), None)
    # Trapezoid from no current to 3 A.
    assert counted.totals.charge_coulombs == pytest.approx(0.5 * 3.0 * 0.0625, rel=1e-6)


@pytest.mark.parametrize("when", ["judged", "after_off"])
def test_quick_look_at_range_end(when: str) -> None:
    """Its charge is recorded as uncertain."""
    bench = bench_in(S.RUNNING)
    feed(bench, after(bench, 0.07))
    run, last = run_of(bench), bench.supervisor.last_sample
    assert last is not None
    if when == "after_off":
        bench.supervisor.pause()
    feed(bench, replace(after(bench, 0.01, 16.0, averaged=False), saturated=True))
    assert reason_of(bench) is (TripReason.SENSOR_SATURATED if when == "judged" else None)
    assert run.counter.uncertain_coulombs == 0.0, "booked when the next sample tells for how long"
    straddling = Sample(last.taken_at_s + 0.09, 2.0 + OFFSET_A, 0.2)
    feed(
        bench,
        straddling,
        replace(straddling, taken_at_s=last.taken_at_s + 0.16, current_a=OFFSET_A),
    )
    assert run.counter.uncertain_coulombs == pytest.approx((0.07 + 0.09) * run.plan.drivable_a)
    now_s = bench.clock.monotonic_s()
    by_charge = run.plan.table.at(run.counter.charge_coulombs, run.counter.uncertain_coulombs)
    expected_mm = by_charge.high_mm + run.soak.upper_mm(now_s)
    assert run.depth(now_s).high_mm == pytest.approx(expected_mm, rel=1e-4), "and the acid's bite"


def test_saturated_sample() -> None:
    """It trips, and its charge is recorded as uncertain."""
    bench = bench_in(S.RUNNING)
    feed(bench, after(bench, 0.07))
    run = run_of(bench)
    bad = replace(after(bench, 0.08, 16.0), saturated=True)
    feed(bench, bad)
    assert (reason_of(bench), bench.gate.reads_on()) == (TripReason.SENSOR_SATURATED, False)
    feed(
        bench, Sample(bad.taken_at_s + 0.09, 4.0, 0.2), Sample(bad.taken_at_s + 0.16, OFFSET_A, 0.2)
    )
    assert run.counter.uncertain_coulombs == pytest.approx(
        (0.07 + 0.08 + 0.09) * run.plan.drivable_a
    )
    assert not run.counter.is_counting


def test_quick_look_is_not_counted() -> None:
    """A quick look is shown and not counted."""
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    outbox = feed(bench, after(bench, 0.01, 3.1, averaged=False))
    assert [type(n) for n in outbox] == [Seen]
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.1)
    assert run_of(bench).counter.charge_coulombs == charge
    assert bench.sensor.second_looks == 0


def test_two_bad_quick_looks() -> None:
    """The first asks for another; the second trips and is not counted."""
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    bad = after(bench, 0.01, 3.0, 9.0, averaged=False)
    feed(bench, bad)
    assert (bench.supervisor.state, bench.sensor.second_looks) == (S.RUNNING, 1)
    outbox = feed(bench, replace(bad, taken_at_s=bad.taken_at_s + 0.01))
    assert [type(n) for n in outbox] == [Seen, Changed]
    assert reason_of(bench) is TripReason.OVER_VOLTAGE
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.taken_at_s == bad.taken_at_s + 0.01
    assert run_of(bench).counter.charge_coulombs == charge


def test_tripping_sample_is_counted() -> None:
    """The charge up to the sample that trips has flowed too."""
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    charge = run_of(bench).counter.charge_coulombs
    outbox = feed(bench, after(bench, 0.0625, 3.0, 9.0), after(bench, 0.125, 3.0, 9.0))
    assert [type(n) for n in outbox] == [Counted, Counted, Changed]
    assert not bench.gate.reads_on()
    assert run_of(bench).counter.charge_coulombs - charge == pytest.approx(3.0 * 0.125, rel=1e-6)
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.voltage_v == 9.0


def test_gap_ends_run() -> None:
    """A gap between samples ends the run, and its charge is recorded as uncertain."""
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    outbox = feed(bench, after(bench, 1.5))
    assert [type(n) for n in outbox] == [Changed]
    finding = bench.supervisor.finding
    assert finding is not None
    assert (finding.reason, finding.limit, finding.unit) == (TripReason.SENSOR_STALE, 1.0, "s")
    assert finding.value == pytest.approx(1.5)
    assert run_of(bench).counter.charge_coulombs == charge
    # The run's limit is 1.3 times the planned 3 A.
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(1.5 * 3.9)


def test_gauge_stop() -> None:
    """It pauses once, and after that the run goes on to its target."""
    bench = make_bench()
    bench.running(silver_request(gauge_stops_mm=(0.01,)))
    bench.until(S.PAUSED, within_s=60.0)
    stop = {"gauge_stop_mm": 0.01}
    assert bench.supervisor.message == Message("supervisor.state.gauge_stop", stop)
    assert not bench.gate.reads_on()
    last = [n for n in outbox_of(bench) if isinstance(n, Changed | Counted)][-2:]
    assert [type(n) for n in last] == [Changed, Counted], "the sample that reached it is counted"
    bench.supervisor.resume()
    bench.until(S.PAUSED, S.FINISHED)
    assert bench.supervisor.message == Message("supervisor.state.target_reached")


@dataclass
class Pulses:
    """A dead man's output that counts its pulses."""

    number: int = 0

    def pulse(self) -> None:
        self.number += 1


def test_dead_man() -> None:
    """Pulsed by each good sample of a run and by nothing else."""
    bench = make_bench()
    bench.supervisor._dead_man = pulses = Pulses()
    bench.run_for(1.0)
    bench.start()
    bench.until(S.RUNNING)
    assert pulses.number == 0
    bench.until(S.FINISHED)
    outbox = outbox_of(bench)
    end = next(i for i, n in enumerate(outbox) if isinstance(n, Changed) and n.state is S.FINISHED)
    assert pulses.number == sum(isinstance(n, Counted) for n in outbox[:end]) > 1000
    bench.run_for(1.0)
    assert pulses.number == sum(isinstance(n, Counted) for n in outbox[:end])


@dataclass
class Bath:
    """A thermometer."""

    degc: float | None

    def latest_degc(self) -> float | None:
        return self.degc


def test_warm_and_hot_bath() -> None:
    """A warm bath is noted once; a hot one ends the run."""
    bench = make_bench()
    bench.supervisor._thermometer = bath = Bath(34.9)
    bench.running(for_s=1.0)
    outbox_of(bench)
    bath.degc = 36.0
    bench.run_for(1.0)
    outbox = outbox_of(bench)
    (note,) = [n for n in outbox if isinstance(n, Noted)]
    warm = Message("guards.warning.bath_warm", {"warn_degc": 35.0, "off_degc": 45.0})
    assert (note.run_id, note.kind, note.message) == ("r1", EventKind.WARNING, warm)
    assert {n.bath_degc for n in outbox if isinstance(n, Counted)} == {36.0}
    bath.degc = 45.0
    bench.run_for(0.1)
    assert reason_of(bench) is TripReason.BATH_HOT


# --- samples with the relay off ------------------------------------------------------------------


def test_quick_look_with_relay_off() -> None:
    """It is ignored."""
    bench = make_bench()
    assert feed(bench, Sample(bench.clock.monotonic_s(), 9.0, 9.0, averaged=False)) == []
    assert bench.supervisor.last_sample is None


def test_check_waits_after_off(exact: Bench) -> None:
    """Samples count for the check from a quarter of a second after off."""
    number = exact.settings.loop.offset_samples
    early = Sample(math.nextafter(1024.25, 0.0), 5.0, 0.0)
    feed(exact, early, *[Sample(1024.25 + i / 64.0, 0.005, 0.25) for i in range(number - 1)])
    assert exact.supervisor.report_check() is None
    feed(exact, Sample(1024.25 + number / 64.0, 0.005, 0.25))
    report = exact.supervisor.report_check()
    assert report is not None
    assert report.zero_offset_a == pytest.approx(0.005)
    exact.start()
    assert exact.supervisor.report_check() is None, "a check looks at samples of its own"


def test_pause_clears_check() -> None:
    """A check after a pause uses new samples only."""
    bench = bench_in(S.RUNNING)
    assert bench.supervisor.report_check() is not None
    bench.supervisor.pause()
    assert bench.supervisor.report_check() is None


def test_samples_after_off() -> None:
    """Samples are recorded for six seconds after off."""
    bench = bench_in(S.PAUSED)
    assert not run_of(bench).counter.is_counting
    bench.supervisor._off_watch.off_at_s = 1024.0
    last, too_late = (Sample(at_s, OFFSET_A, 0.2) for at_s in (math.nextafter(1030.0, 0.0), 1030.0))
    outbox = feed(bench, last, too_late, replace(too_late, taken_at_s=1031.0))
    assert [(type(n), n.sample.taken_at_s, n.run_id) for n in outbox if isinstance(n, Seen)] == [
        (Seen, last.taken_at_s, "r1")
    ]
    assert len(outbox) == 1
    assert feed(make_bench(), last) == [], "without a run there is nothing to hand on"


def test_count_until_zero() -> None:
    """Current that flows after off is counted until it is zero."""
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    bench.supervisor.pause()
    charge = run_of(bench).counter.charge_coulombs
    outbox = feed(bench, after(bench, 0.0625, 2.0))
    assert [type(n) for n in outbox] == [Counted]
    assert run_of(bench).counter.charge_coulombs - charge == pytest.approx(
        0.5 * (3.0 + 2.0) * 0.0625, rel=1e-6
    )
    assert run_of(bench).counter.is_counting
    # Zero is 1 % of the planned 3 A.
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 0.029))] == [Counted]
    assert not run_of(bench).counter.is_counting
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 0.0))] == [Seen]


def test_gap_after_off() -> None:
    """Its charge is recorded as uncertain, and a note says so."""
    bench = bench_in(S.RUNNING)
    bench.supervisor.pause()
    outbox = feed(bench, after(bench, 1.5, 0.0))
    assert [type(n) for n in outbox] == [Noted, Counted]
    assert isinstance(outbox[0], Noted)
    assert outbox[0].kind is EventKind.WARNING
    assert "1.50 s" in str(outbox[0].message)
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(1.5 * 3.9)
    assert bench.supervisor.state is S.PAUSED


def test_unseen_end() -> None:
    """A sensor that fails before the current is zero leaves a bound and a note."""
    bench = bench_in(S.RUNNING)
    bench.supervisor.pause()
    outbox_of(bench)
    bench.clock.advance(0.4)
    bench.sensor.error = SensorError("wire off")
    unseen_s = bench.clock.monotonic_s() - bench.freshness.taken_at_s
    bench.supervisor.tick()
    bench.run_for(3.0)
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(unseen_s * 3.9)
    assert not run_of(bench).counter.is_counting
    notes = [(n.kind, n.message) for n in outbox_of(bench) if isinstance(n, Noted)]
    assert notes == [(EventKind.WARNING, Message("supervisor.note.unseen_end"))]


@pytest.mark.parametrize(
    "spacing_s", [1 / 64, 1 / 16], ids=["found by the check", "found by the watch after off"]
)
def test_current_during_check(exact: Bench, spacing_s: float) -> None:
    """It means a welded relay, and it is counted."""
    exact.start()
    outbox = feed(exact, *[Sample(1024.25 + i * spacing_s, 2.9, 3.0) for i in range(16)])
    assert reason_of(exact) is TripReason.RELAY_WELDED
    assert exact.supervisor.is_welded
    assert sum(isinstance(n, Changed) for n in outbox) == 1
    charge = run_of(exact).counter.charge_coulombs
    assert exact.supervisor.last_sample is not None
    feed(exact, Sample(exact.supervisor.last_sample.taken_at_s + 0.5, 2.9, 3.0))
    assert run_of(exact).counter.charge_coulombs - charge == pytest.approx(2.9 * 0.5)


def test_weld_after_trip() -> None:
    """A weld found after a trip is reported; the first reason stays."""
    bench = bench_in(S.TRIPPED)
    outbox = feed(bench, *[after(bench, 0.1 * i, 2.9) for i in (1, 2, 3, 4)])
    assert bench.supervisor.is_welded
    assert reason_of(bench) is TripReason.SENSOR_FAULT
    assert [n.was for n in outbox if isinstance(n, Changed)] == [S.TRIPPED]


def test_weld_acknowledged(exact: Bench) -> None:
    """Only when neither current nor voltage is left."""
    limit_v = exact.settings.limits.off_voltage_v
    feed(exact, *[Sample(1025.0 + i, 2.9, 3.0) for i in range(3)])
    assert exact.supervisor.state is S.TRIPPED, "also on an idle bench"
    for at_s, current_a, voltage_v in (
        (1029.0, 2.9, 0.0),
        (1030.0, 0.0, math.nextafter(limit_v, 9.0)),
    ):
        feed(exact, Sample(at_s, current_a, voltage_v))
        with pytest.raises(WrongStateError) as caught:
            exact.supervisor.acknowledge()
        assert caught.value.message == Message("supervisor.refused.still_live")
        assert exact.supervisor.is_welded
    feed(exact, *[Sample(1031.0 + 0.5 * i, 0.0, limit_v) for i in range(3)])
    exact.supervisor.acknowledge()
    assert not exact.supervisor.is_welded
    assert (exact.supervisor.state, exact.supervisor.message) == (S.IDLE, ACKNOWLEDGED)


# --- commands ------------------------------------------------------------------------------------


def test_command_messages() -> None:
    """Each command publishes what it did."""
    bench = make_bench()
    plan = bench.start()
    began, asked, changed = outbox_of(bench)
    assert isinstance(began, Began)
    assert isinstance(asked, Noted)
    assert (asked.kind, str(asked.message)) == (
        EventKind.COMMAND,
        "Start: 0.25 mm, 1797 C at 3.00 A.",
    )
    assert (began.at_s, began.run_id, began.plan) == (bench.clock.monotonic_s(), "r1", plan)
    assert isinstance(changed, Changed)
    assert (changed.at_s, changed.run_id, changed.finding) == (
        bench.clock.monotonic_s(),
        "r1",
        None,
    )
    assert changed.totals == run_of(bench).totals(bench.clock.monotonic_s())
    assert not bench.supervisor.has_changed
    bench.until(S.RUNNING)
    outbox_of(bench)
    bench.supervisor.pause()
    assert bench.supervisor.has_changed
    assert bench.supervisor.message == Message("supervisor.state.paused")
    bench.supervisor.resume()
    assert bench.supervisor.message == Message("supervisor.state.checking_again")
    outbox_of(bench)
    text = Message("a.line", {"depth_mm": 0.1})
    bench.supervisor.note(text)
    assert bench.supervisor.has_changed
    now_s = bench.clock.monotonic_s()
    on_time_s = run_of(bench).total_on_time_s(now_s)
    line = Noted(now_s, "r1", EventKind.NOTE, text, on_time_s)
    assert outbox_of(bench) == [line]


@pytest.mark.parametrize(
    ("reason", "then", "message"),
    [
        (TripReason.STORE_FULL, S.PAUSED, "acknowledged_paused"),
        (TripReason.OVER_CHARGE, S.STOPPED, "acknowledged_ended"),
    ],
)
def test_cut_ends_run(reason: TripReason, then: RunState, message: str) -> None:
    """What follows the acknowledgement depends on the reason."""
    bench = bench_in(S.RUNNING)
    finding = Finding(reason, cause=Message("because"))
    bench.supervisor.cut(finding)
    assert not bench.gate.reads_on()
    assert (bench.supervisor.state, reason_of(bench)) == (S.TRIPPED, reason)
    assert bench.supervisor.message == finding.message
    bench.supervisor.acknowledge()
    assert (bench.supervisor.state, bench.supervisor.message, bench.supervisor.finding) == (
        then,
        Message(f"supervisor.state.{message}"),
        None,
    )
    assert bench.supervisor.run is not None


@pytest.mark.parametrize("state", [S.IDLE, S.PAUSED, S.FINISHED])
def test_cut_outside_run(state: RunState) -> None:
    """A cut outside a check or a run does nothing."""
    bench = bench_in(state)
    bench.supervisor.cut(Finding(TripReason.STORE_FULL))
    assert (bench.supervisor.state, bench.supervisor.finding) == (state, None)


def test_pausing_reason() -> None:
    """It pauses instead of tripping, and resume clears it."""
    bench = bench_in(S.RUNNING)
    bench.supervisor.cut(Finding(TripReason.LOST_CONTACT))
    assert (bench.supervisor.state, reason_of(bench)) == (S.PAUSED, TripReason.LOST_CONTACT)
    bench.supervisor.resume()
    assert bench.supervisor.finding is None


@pytest.mark.parametrize("state", [S.FINISHED, S.STOPPED])
def test_ended_run_acknowledged(state: RunState) -> None:
    """Acknowledging an ended run clears it. The next pass handles a late Stop."""
    bench = bench_in(state)
    bench.gate.revoke(OffRequest.STOP)
    bench.supervisor.acknowledge()
    assert bench.supervisor.run is None
    assert (bench.supervisor.state, bench.supervisor.message) == (S.IDLE, ACKNOWLEDGED)
    bench.tick()
    assert bench.gate.standing_request() is None
    assert bench.supervisor.state is S.IDLE


@pytest.mark.parametrize("request_", list(OffRequest))
def test_acknowledge_keeps_stop(request_: OffRequest) -> None:
    """Acknowledging clears the stale sensor's request only. A Stop ends the run that could go on.

    SHUTDOWN stays.
    """
    bench = bench_in(S.RUNNING)
    bench.supervisor.cut(Finding(TripReason.STORE_FULL))
    bench.gate.revoke(request_)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.PAUSED
    bench.tick()
    is_stop = request_ in (OffRequest.STOP, OffRequest.STOP_BUTTON)
    assert bench.supervisor.state is (S.STOPPED if is_stop else S.PAUSED)
    is_final = request_ is OffRequest.SHUTDOWN
    assert (bench.gate.standing_request() is not None) == is_final


def test_restore_when_idle() -> None:
    """Only an idle supervisor takes over an interrupted run."""
    run = run_of(bench_in(S.PAUSED))
    idle = make_bench()
    cut = Message("a.power_cut", {"missing_coulombs": 1.5})
    idle.supervisor.restore(run, cut)
    assert idle.supervisor.run is run
    (changed,) = outbox_of(idle)
    assert isinstance(changed, Changed)
    assert (changed.was, changed.state, changed.message, changed.run_id) == (
        S.IDLE,
        S.INTERRUPTED,
        cut,
        "r1",
    )
    busy = bench_in(S.RUNNING)
    with pytest.raises(WrongStateError):
        busy.supervisor.restore(run, cut)
    assert run_of(busy) is not run


def test_faults_of_the_program() -> None:
    """A relay that reads off, and a bug, each say what it was."""
    bench = bench_in(S.RUNNING)
    bench.pin.off()
    bench.supervisor.tick()
    assert bench.supervisor.finding == Finding(TripReason.CONTROLLER_FAULT, case="reads_off")
    bug = bench_in(S.RUNNING)
    bug.sensor.error = ZeroDivisionError("bug")
    with pytest.raises(ZeroDivisionError):
        bug.supervisor.tick()
    assert bug.supervisor.finding is not None
    assert bug.supervisor.finding.cause == Message(
        "guards.controller_fault.exception", {"kind": "ZeroDivisionError", "detail": "bug"}
    )


def test_offset_in_message() -> None:
    """To a hundredth of a milliampere."""
    bench = make_bench()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (  # type: ignore[method-assign]
        (s := poll()) and replace(s, current_a=s.current_a + 0.0065)
    )
    bench.running()
    message = bench.supervisor.message
    assert message is not None
    assert message.key == "supervisor.state.relay_on"
    assert message.values == {"zero_offset_ma": pytest.approx(7.5)}
    assert "7.50 mA" in str(message)


# --- off once more -------------------------------------------------------------------------------


def test_relay_on_with_failed_sensor() -> None:
    """A relay that came on while the sensor failed goes off in the same pass."""
    bench = bench_in(S.IDLE)

    def fail() -> Sample | None:
        bench.pin.on()
        raise SensorError("wire off")

    bench.sensor.poll = fail  # type: ignore[method-assign]
    bench.supervisor.tick()
    assert not bench.gate.reads_on()


@pytest.mark.parametrize(("state", "command"), [(S.IDLE, "start"), (S.PAUSED, "resume")])
def test_check_begins_with_off(state: RunState, command: str) -> None:
    bench = bench_in(state)
    bench.pin.on()
    if command == "start":
        bench.start()
    else:
        bench.supervisor.resume()
    assert not bench.gate.reads_on()


def test_repeated_bug() -> None:
    """A bug in every pass is raised each time and published once."""
    bench = bench_in(S.TRIPPED)
    outbox_of(bench)
    bench.sensor.error = ZeroDivisionError("bug")
    for _ in range(3):
        with pytest.raises(ZeroDivisionError):
            bench.supervisor.tick()
    assert outbox_of(bench) == []
    assert reason_of(bench) is TripReason.SENSOR_FAULT


def test_stop_clears_reason() -> None:
    """Stop clears the reason of a pause."""
    bench = bench_in(S.RUNNING)
    bench.supervisor.cut(Finding(TripReason.LOST_CONTACT))
    bench.gate.revoke(OffRequest.STOP)
    bench.supervisor.tick()
    assert (bench.supervisor.state, bench.supervisor.finding) == (S.STOPPED, None)


def test_silence_is_uncertain_charge() -> None:
    """A trip on silence records its charge as uncertain at once."""
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    bench.sensor.frozen = True
    while bench.supervisor.state is S.RUNNING:
        bench.clock.advance(0.02)
        bench.supervisor.tick()
    assert reason_of(bench) is TripReason.SENSOR_STALE
    unseen_s = bench.clock.monotonic_s() - bench.freshness.taken_at_s
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(unseen_s * 3.9)
    assert not run_of(bench).counter.is_counting


def test_watch_goes_on_after_trip() -> None:
    """After a trip on one bad reading the current is still watched and counted."""
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    bench.sensor.error = SensorError("one bad read")
    bench.supervisor.tick()
    bench.sensor.error = None
    assert bench.supervisor.state is S.TRIPPED
    assert bench.supervisor.sensor_finding is None
    assert run_of(bench).counter.is_counting
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 1.0))] == [Counted]


# --- found in review -----------------------------------------------------------------------------


def test_quick_looks_never_starve_the_count() -> None:
    """One sample over the voltage limit, and a current near its own limit.

    Quick looks clear nothing, so they must not go on alone.
    """
    over_from: list[float] = []

    def reading(now_s: float) -> tuple[float, float]:
        if not over_from or now_s < over_from[0]:
            return 3.001, 3.0
        over_from.append(now_s)
        return 3.651, 6.02 if len(over_from) == 2 else 5.95

    bench = make_bench(reading)
    bench.running(for_s=25.0)
    before = run_of(bench).counter.charge_coulombs
    over_from.append(bench.clock.monotonic_s())
    bench.run_for(30.0)
    assert bench.supervisor.state is S.RUNNING
    assert run_of(bench).counter.charge_coulombs - before == pytest.approx(30.0 * 3.65, rel=0.02)


def test_quick_looks_are_not_fresh() -> None:
    """A run without full samples is stale, however many quick looks come."""
    bench = make_bench()
    bench.running(for_s=2.0)
    poll = bench.sensor.poll

    def quick_only() -> Sample | None:
        sample = poll()
        return None if sample is None else replace(sample, averaged=False)

    bench.sensor.poll = quick_only  # type: ignore[method-assign]
    bench.run_for(1.3)
    assert bench.supervisor.state is S.TRIPPED
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.SENSOR_STALE


@pytest.mark.parametrize(
    ("request_", "state"), [(OffRequest.STOP, S.STOPPED), (OffRequest.SHUTDOWN, S.INTERRUPTED)]
)
def test_request_in_mid_pass(request_: OffRequest, state: RunState) -> None:
    """A request for off in the middle of a pass is a request, not a fault."""
    bench = make_bench()
    bench.running(for_s=2.0)
    standing = bench.gate.standing_request

    def comes_just_after() -> tuple[OffRequest, int] | None:
        found = standing()
        bench.gate.standing_request = standing  # type: ignore[method-assign]
        bench.gate.revoke(request_)
        return found

    bench.gate.standing_request = comes_just_after  # type: ignore[method-assign]
    bench.tick(3)
    assert bench.supervisor.state is state


def welding(bench: Bench) -> dict[str, bool]:
    """Let the contact weld and the supply be switched by hand.

    ``weld``, ``live``, and ``over`` for a current over its limit.
    """
    say = {"weld": False, "live": True, "over": False}
    poll = bench.sensor.poll

    def polled() -> Sample | None:
        sample = poll()
        if sample is None:
            return None
        if not say["live"] or not (bench.gate.reads_on() or say["weld"]):
            return replace(sample, current_a=OFFSET_A, voltage_v=0.0)
        return replace(sample, current_a=5.0 if say["over"] else 3.0, voltage_v=3.0)

    bench.sensor.poll = polled  # type: ignore[method-assign]
    return say


def test_weld_ends_run() -> None:
    """A run whose relay welded after its trip cannot carry on."""
    bench = make_bench()
    say = welding(bench)
    bench.running(for_s=25.0)
    say["over"] = say["weld"] = True
    bench.until(S.TRIPPED)
    bench.run_for(2.0)
    assert bench.supervisor.is_welded
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.OVER_CURRENT, "the first reason stays"
    say["live"] = False
    bench.run_for(1.0)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.STOPPED


def test_weld_in_pause_is_counted() -> None:
    """Current through a relay that shows its weld in a pause is counted."""
    bench = make_bench()
    say = welding(bench)
    bench.running(for_s=25.0)
    say["live"] = False
    bench.supervisor.pause()
    say["weld"] = True
    bench.run_for(2.0)
    counter = run_of(bench).counter
    assert not counter.is_counting
    before = counter.charge_coulombs
    say["live"] = True
    bench.run_for(60.0)
    assert bench.supervisor.is_welded
    assert counter.charge_coulombs - before == pytest.approx(180.0, rel=0.01)


def failing_off(bench: Bench) -> None:
    """Let the output refuse to be switched off once."""
    turn_off = bench.gate.turn_off

    def once() -> None:
        bench.gate.turn_off = turn_off  # type: ignore[method-assign]
        raise OSError(5, "the line does not answer")

    bench.gate.turn_off = once  # type: ignore[method-assign]


def test_off_that_fails() -> None:
    """The books are closed also when off fails, and the next pass turns off again."""
    bench = make_bench()
    bench.running(for_s=5.0)
    outbox_of(bench)
    failing_off(bench)
    with pytest.raises(OSError, match="does not answer"):
        bench.supervisor.pause()
    run, on_time_s = run_of(bench), run_of(bench).total_on_time_s(bench.clock.monotonic_s())
    assert any(isinstance(item, Changed) and item.state is S.PAUSED for item in outbox_of(bench))
    bench.tick()
    assert not bench.gate.reads_on()
    bench.run_for(60.0)
    assert run.total_on_time_s(bench.clock.monotonic_s()) == on_time_s, "the stretch has ended"
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(60.0, abs=0.1)


def test_uncountable_sample(exact: Bench) -> None:
    """A trip is published also when its sample cannot be counted."""
    exact.running(for_s=5.0)
    exact.supervisor.take_outbox()
    bad = after(exact, 0.05, current_a=-1.0)
    feed(exact, bad)
    going_back = replace(bad, taken_at_s=bad.taken_at_s - 1.0)
    with pytest.raises(BiteclockError):
        feed(exact, going_back)
    outbox = exact.supervisor.take_outbox()
    assert exact.supervisor.state is S.TRIPPED
    assert exact.supervisor.finding is not None
    assert exact.supervisor.finding.reason is TripReason.REVERSE_CURRENT
    assert any(isinstance(item, Changed) and item.state is S.TRIPPED for item in outbox)


def test_unprintable_bug() -> None:
    """Off comes before anything about the error is read, even when it cannot be printed."""

    class UnprintableError(Exception):
        def __str__(self) -> str:
            raise RuntimeError("cannot be printed")

    bench = make_bench()
    bench.running(for_s=1.0)

    def poll() -> Sample | None:
        raise UnprintableError

    bench.sensor.poll = poll  # type: ignore[method-assign]
    with pytest.raises(UnprintableError):
        bench.supervisor.tick()
    assert not bench.gate.reads_on()
    assert bench.supervisor.state is S.TRIPPED
    assert reason_of(bench) is TripReason.CONTROLLER_FAULT
