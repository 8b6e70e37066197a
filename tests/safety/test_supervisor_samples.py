"""The state machine sample by sample: exact clocks, what is told, what is counted after off, welds, the dead man."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest

from controller.errors import SensorError, WrongStateError
from controller.messages import Finding, OffRequest, RunState, Sample, TripReason
from controller.safety.outbox import Began, Changed, Counted, News, Noted, Seen
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
    """An idle bench whose clock stands at a round number, so that limits in time can be met exactly."""
    monkeypatch.setattr(doubles, "VirtualClock", lambda: VirtualClock(start_s=1024.0))
    return make_bench()


def feed(bench: Bench, *samples: Sample) -> list[News]:
    """Make a pass for each sample while the clock stands; return the news of these passes alone."""
    bench.supervisor.take_news()
    queue, poll = list(samples), bench.sensor.poll
    bench.sensor.poll = lambda: queue.pop(0)  # type: ignore[method-assign]
    for _ in samples:
        bench.supervisor.tick()
    bench.sensor.poll = poll  # type: ignore[method-assign]
    return bench.supervisor.take_news()


def after(
    bench: Bench,
    seconds: float,
    current_a: float = 3.0,
    voltage_v: float = 3.0,
    averaged: bool = True,
) -> Sample:
    """A raw sample that follows the newest one; ``current_a`` is what remains when the offset is taken out."""
    assert bench.supervisor.last_sample is not None
    at_s = bench.supervisor.last_sample.taken_at_s + seconds
    return Sample(at_s, current_a + OFFSET_A, voltage_v, averaged=averaged)


def run_of(bench: Bench) -> ActiveRun:
    assert bench.supervisor.run is not None
    return bench.supervisor.run


ACKNOWLEDGED = Message("supervisor.state.acknowledged")


def reason_of(bench: Bench) -> TripReason | None:
    return None if bench.supervisor.finding is None else bench.supervisor.finding.reason


def test_a_new_supervisor_knows_nothing() -> None:
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
    assert new.take_news() == []


@pytest.mark.parametrize("state", [state for state in S if state is not S.RUNNING])
def test_a_relay_that_somebody_turned_on_outside_a_run_goes_off_at_the_next_pass(
    state: RunState,
) -> None:
    bench = bench_in(state)
    bench.pin.on()
    bench.supervisor.tick()
    assert not bench.gate.reads_on()
    bench.sensor.error = SensorError("wire off")
    bench.pin.on()
    bench.supervisor.tick()
    assert not bench.gate.reads_on()


def test_a_sensor_that_failed_outside_a_run_is_asked_again_each_second_and_at_once_by_a_start(
    exact: Bench,
) -> None:
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


def test_a_sample_is_stale_above_the_limit_and_not_at_it(exact: Bench) -> None:
    exact.sensor.frozen = True
    exact.clock.advance_to(1025.0)
    exact.supervisor.tick()
    assert exact.supervisor.sensor_finding is None
    exact.clock.advance_to(1025.5)
    exact.supervisor.tick()
    assert exact.supervisor.sensor_finding == Finding(TripReason.SENSOR_STALE, 1.5, 1.0, "s")


def test_a_start_after_a_long_silence_has_a_second_to_see_a_sample() -> None:
    bench = make_bench()
    bench.sensor.frozen = True
    bench.run_for(5.0)
    bench.start()
    bench.run_for(0.9)
    assert bench.supervisor.state is S.CHECKING
    bench.until(S.TRIPPED, within_s=0.2)
    assert reason_of(bench) is TripReason.SENSOR_STALE


def test_an_error_after_a_silence_is_called_by_the_silence() -> None:
    for silence_s, reason in ((0.5, TripReason.SENSOR_FAULT), (1.5, TripReason.SENSOR_STALE)):
        bench = make_bench()
        bench.start()
        bench.clock.advance(silence_s)
        bench.sensor.error = SensorError("wire off")
        bench.supervisor.tick()
        assert reason_of(bench) is reason


# --- requests for off ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "by"),
    [(OffRequest.STOP, "stopped"), (OffRequest.STOP_BUTTON, "stopped_by_button")],
)
def test_a_stop_says_who_asked_and_is_dealt_with(request_: OffRequest, by: str) -> None:
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


def test_a_request_of_the_age_watch_ends_a_check_is_taken_back_in_a_pause_and_stands_in_a_trip() -> (
    None
):
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


def test_the_end_of_the_service_interrupts_work_and_nothing_else() -> None:
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


def test_a_request_for_off_before_turn_on_leads_back_to_the_check_and_is_told() -> None:
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
        for n in bench.supervisor.take_news()
        if isinstance(n, Changed) and n.message is not None
    ]
    assert changes == [
        (S.IDLE, S.CHECKING, "checking"),
        (S.CHECKING, S.RUNNING, "relay_on"),
        (S.RUNNING, S.CHECKING, "off_came_first"),
        (S.CHECKING, S.STOPPED, "stopped"),
    ]


# --- samples of a run ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_a", "voltage_v"),
    [(math.nan, 3.0), (3.0, math.nan), (math.inf, 3.0), (3.0, -math.inf)],
)
def test_what_is_no_number_ends_the_run_and_is_not_fresh(
    current_a: float, voltage_v: float
) -> None:
    bench = bench_in(S.RUNNING)
    fresh_s, charge = bench.freshness.taken_at_s, run_of(bench).counter.charge_coulombs
    feed(bench, Sample(bench.clock.monotonic_s(), current_a, voltage_v))
    assert reason_of(bench) is TripReason.SENSOR_FAULT
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.cause == Message("guards.sensor_fault.no_number")
    assert bench.freshness.taken_at_s == fresh_s
    assert run_of(bench).counter.charge_coulombs == charge


def test_a_sensor_without_any_offset_is_taken_as_it_reads() -> None:
    bench = make_bench()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (s := poll()) and replace(s, current_a=s.current_a - OFFSET_A)  # type: ignore[method-assign]
    bench.tick()
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == 0.0
    bench.running(for_s=1.0)
    assert bench.supervisor.zero_offset_a == 0.0
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.0, rel=1e-12)


def test_counting_begins_at_the_last_sample_with_the_relay_off() -> None:
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
def test_a_quick_look_at_the_end_of_the_range_leaves_its_charge_uncertain(when: str) -> None:
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
    assert run.depth(bench.clock.monotonic_s()).high_mm == run.plan.table.at(
        run.counter.charge_coulombs, run.counter.uncertain_coulombs
    ).high_mm + run.soak.upper_mm(bench.clock.monotonic_s())


def test_a_saturated_sample_trips_and_leaves_its_charge_uncertain() -> None:
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


def test_a_quick_look_is_shown_and_not_counted() -> None:
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    news = feed(bench, after(bench, 0.01, 3.1, averaged=False))
    assert [type(n) for n in news] == [Seen]
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.1)
    assert run_of(bench).counter.charge_coulombs == charge
    assert bench.sensor.second_looks == 0


def test_a_first_bad_quick_look_asks_for_another_and_the_second_trips_uncounted() -> None:
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    bad = after(bench, 0.01, 3.0, 9.0, averaged=False)
    feed(bench, bad)
    assert (bench.supervisor.state, bench.sensor.second_looks) == (S.RUNNING, 1)
    news = feed(bench, replace(bad, taken_at_s=bad.taken_at_s + 0.01))
    assert [type(n) for n in news] == [Seen, Changed]
    assert reason_of(bench) is TripReason.OVER_VOLTAGE
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.taken_at_s == bad.taken_at_s + 0.01
    assert run_of(bench).counter.charge_coulombs == charge


def test_the_sample_that_trips_is_counted_too() -> None:
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    charge = run_of(bench).counter.charge_coulombs
    news = feed(bench, after(bench, 0.0625, 3.0, 9.0), after(bench, 0.125, 3.0, 9.0))
    assert [type(n) for n in news] == [Counted, Counted, Changed]
    assert not bench.gate.reads_on()
    assert run_of(bench).counter.charge_coulombs - charge == pytest.approx(3.0 * 0.125, rel=1e-6)
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.voltage_v == 9.0


def test_a_gap_between_samples_ends_the_run_and_is_booked() -> None:
    bench = bench_in(S.RUNNING)
    charge = run_of(bench).counter.charge_coulombs
    news = feed(bench, after(bench, 1.5))
    assert [type(n) for n in news] == [Changed]
    finding = bench.supervisor.finding
    assert finding is not None
    assert (finding.reason, finding.limit, finding.unit) == (TripReason.SENSOR_STALE, 1.0, "s")
    assert finding.value == pytest.approx(1.5)
    assert run_of(bench).counter.charge_coulombs == charge
    # The run's limit is 1.3 times the planned 3 A.
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(1.5 * 3.9)


def test_a_gauge_stop_pauses_once_and_the_run_goes_on_to_its_target() -> None:
    bench = make_bench()
    bench.running(silver_request(gauge_stops_mm=(0.01,)))
    bench.until(S.PAUSED, within_s=60.0)
    stop = {"gauge_stop_mm": 0.01}
    assert bench.supervisor.message == Message("supervisor.state.gauge_stop", stop)
    assert not bench.gate.reads_on()
    last = [n for n in bench.supervisor.take_news() if isinstance(n, Changed | Counted)][-2:]
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


def test_the_dead_man_is_pulsed_by_each_good_sample_of_a_run_and_by_nothing_else() -> None:
    bench = make_bench()
    bench.supervisor._dead_man = pulses = Pulses()
    bench.run_for(1.0)
    bench.start()
    bench.until(S.RUNNING)
    assert pulses.number == 0
    bench.until(S.FINISHED)
    news = bench.supervisor.take_news()
    end = next(i for i, n in enumerate(news) if isinstance(n, Changed) and n.state is S.FINISHED)
    assert pulses.number == sum(isinstance(n, Counted) for n in news[:end]) > 1000
    bench.run_for(1.0)
    assert pulses.number == sum(isinstance(n, Counted) for n in news[:end])


@dataclass
class Bath:
    """A thermometer."""

    degc: float | None

    def latest_degc(self) -> float | None:
        return self.degc


def test_a_warm_bath_is_told_once_and_a_hot_one_ends_the_run() -> None:
    bench = make_bench()
    bench.supervisor._thermometer = bath = Bath(34.9)
    bench.running(for_s=1.0)
    bench.supervisor.take_news()
    bath.degc = 36.0
    bench.run_for(1.0)
    news = bench.supervisor.take_news()
    notes = [n for n in news if isinstance(n, Noted)]
    warm = Message("guards.warning.bath_warm", {"warn_degc": 35.0, "off_degc": 45.0})
    assert [(n.run_id, n.message) for n in notes] == [("r1", warm)]
    assert {n.bath_degc for n in news if isinstance(n, Counted)} == {36.0}
    bath.degc = 45.0
    bench.run_for(0.1)
    assert reason_of(bench) is TripReason.BATH_HOT


# --- samples with the relay off -----------------------------------------------------------------------------------------


def test_a_quick_look_with_the_relay_off_is_passed_over() -> None:
    bench = make_bench()
    assert feed(bench, Sample(bench.clock.monotonic_s(), 9.0, 9.0, averaged=False)) == []
    assert bench.supervisor.last_sample is None


def test_samples_count_for_the_check_from_a_quarter_second_after_off(exact: Bench) -> None:
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


def test_a_pause_forgets_the_samples_of_the_check_before_it() -> None:
    bench = bench_in(S.RUNNING)
    assert bench.supervisor.report_check() is not None
    bench.supervisor.pause()
    assert bench.supervisor.report_check() is None


def test_samples_are_handed_on_for_six_seconds_after_off() -> None:
    bench = bench_in(S.PAUSED)
    assert not run_of(bench).counter.is_counting
    bench.supervisor._off_watch.off_at_s = 1024.0
    last, too_late = (Sample(at_s, OFFSET_A, 0.2) for at_s in (math.nextafter(1030.0, 0.0), 1030.0))
    news = feed(bench, last, too_late, replace(too_late, taken_at_s=1031.0))
    assert [(type(n), n.sample.taken_at_s, n.run_id) for n in news if isinstance(n, Seen)] == [
        (Seen, last.taken_at_s, "r1")
    ]
    assert len(news) == 1
    assert feed(make_bench(), last) == [], "without a run there is nothing to hand on"


def test_what_flows_after_off_is_counted_until_it_is_zero() -> None:
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    bench.supervisor.pause()
    charge = run_of(bench).counter.charge_coulombs
    news = feed(bench, after(bench, 0.0625, 2.0))
    assert [type(n) for n in news] == [Counted]
    assert run_of(bench).counter.charge_coulombs - charge == pytest.approx(
        0.5 * (3.0 + 2.0) * 0.0625, rel=1e-6
    )
    assert run_of(bench).counter.is_counting
    # Zero is 1 % of the planned 3 A.
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 0.029))] == [Counted]
    assert not run_of(bench).counter.is_counting
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 0.0))] == [Seen]


def test_a_gap_after_off_is_booked_and_told() -> None:
    bench = bench_in(S.RUNNING)
    bench.supervisor.pause()
    news = feed(bench, after(bench, 1.5, 0.0))
    assert [type(n) for n in news] == [Noted, Counted]
    assert isinstance(news[0], Noted)
    assert "1.50 s" in str(news[0].message)
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(1.5 * 3.9)
    assert bench.supervisor.state is S.PAUSED


def test_a_sensor_that_fails_before_the_current_is_zero_leaves_a_bound_and_a_warning() -> None:
    bench = bench_in(S.RUNNING)
    bench.supervisor.pause()
    bench.supervisor.take_news()
    bench.clock.advance(0.4)
    bench.sensor.error = SensorError("wire off")
    unseen_s = bench.clock.monotonic_s() - bench.freshness.taken_at_s
    bench.supervisor.tick()
    bench.run_for(3.0)
    assert run_of(bench).counter.uncertain_coulombs == pytest.approx(unseen_s * 3.9)
    assert not run_of(bench).counter.is_counting
    notes = [n.message for n in bench.supervisor.take_news() if isinstance(n, Noted)]
    assert notes == [Message("supervisor.note.unseen_end")]


@pytest.mark.parametrize(
    "spacing_s", [1 / 64, 1 / 16], ids=["found by the check", "found by the watch after off"]
)
def test_current_during_the_check_is_a_welded_relay_and_is_counted(
    exact: Bench, spacing_s: float
) -> None:
    exact.start()
    news = feed(exact, *[Sample(1024.25 + i * spacing_s, 2.9, 3.0) for i in range(16)])
    assert reason_of(exact) is TripReason.RELAY_WELDED
    assert exact.supervisor.is_welded
    assert sum(isinstance(n, Changed) for n in news) == 1
    charge = run_of(exact).counter.charge_coulombs
    assert exact.supervisor.last_sample is not None
    feed(exact, Sample(exact.supervisor.last_sample.taken_at_s + 0.5, 2.9, 3.0))
    assert run_of(exact).counter.charge_coulombs - charge == pytest.approx(2.9 * 0.5)


def test_a_relay_that_welds_after_a_trip_is_told_and_the_first_reason_stays() -> None:
    bench = bench_in(S.TRIPPED)
    news = feed(bench, *[after(bench, 0.1 * i, 2.9) for i in (1, 2, 3, 4)])
    assert bench.supervisor.is_welded
    assert reason_of(bench) is TripReason.SENSOR_FAULT
    assert [n.was for n in news if isinstance(n, Changed)] == [S.TRIPPED]


def test_a_weld_is_acknowledged_when_neither_current_nor_voltage_is_left(exact: Bench) -> None:
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
    feed(exact, Sample(1031.0, 0.0, limit_v))
    exact.supervisor.acknowledge()
    assert not exact.supervisor.is_welded
    assert (exact.supervisor.state, exact.supervisor.message) == (S.IDLE, ACKNOWLEDGED)


# --- commands -----------------------------------------------------------------------------------------------------------


def test_what_the_commands_say() -> None:
    bench = make_bench()
    plan = bench.start()
    began, changed = bench.supervisor.take_news()
    assert isinstance(began, Began)
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
    bench.supervisor.take_news()
    bench.supervisor.pause()
    assert bench.supervisor.has_changed
    assert bench.supervisor.message == Message("supervisor.state.paused")
    bench.supervisor.resume()
    assert bench.supervisor.message == Message("supervisor.state.checking_again")
    bench.supervisor.take_news()
    line = Message("a.line", {"depth_mm": 0.1})
    bench.supervisor.note(line)
    assert bench.supervisor.has_changed
    assert bench.supervisor.take_news() == [Noted(bench.clock.monotonic_s(), "r1", line)]


@pytest.mark.parametrize(
    ("reason", "then", "message"),
    [
        (TripReason.STORE_FULL, S.PAUSED, "acknowledged_paused"),
        (TripReason.OVER_CHARGE, S.STOPPED, "acknowledged_ended"),
    ],
)
def test_a_cut_ends_a_run_and_what_follows_depends_on_its_reason(
    reason: TripReason, then: RunState, message: str
) -> None:
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
def test_a_cut_outside_work_does_nothing(state: RunState) -> None:
    bench = bench_in(state)
    bench.supervisor.cut(Finding(TripReason.STORE_FULL))
    assert (bench.supervisor.state, bench.supervisor.finding) == (state, None)


def test_a_reason_that_asks_a_question_pauses_and_is_gone_with_resume() -> None:
    bench = bench_in(S.RUNNING)
    bench.supervisor.cut(Finding(TripReason.LOST_CONTACT))
    assert (bench.supervisor.state, reason_of(bench)) == (S.PAUSED, TripReason.LOST_CONTACT)
    bench.supervisor.resume()
    assert bench.supervisor.finding is None


@pytest.mark.parametrize("state", [S.FINISHED, S.STOPPED])
def test_an_ended_run_is_let_go_and_a_late_stop_with_it(state: RunState) -> None:
    bench = bench_in(state)
    bench.gate.revoke(OffRequest.STOP)
    bench.supervisor.acknowledge()
    assert bench.gate.standing_request() is None
    assert bench.supervisor.run is None
    assert (bench.supervisor.state, bench.supervisor.message) == (S.IDLE, ACKNOWLEDGED)


def test_an_interrupted_run_is_taken_over_by_an_idle_bench_only() -> None:
    run = run_of(bench_in(S.PAUSED))
    idle = make_bench()
    cut = Message("a.power_cut", {"missing_coulombs": 1.5})
    idle.supervisor.restore(run, cut)
    assert idle.supervisor.run is run
    (changed,) = idle.supervisor.take_news()
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


def test_the_relay_that_reads_off_says_so() -> None:
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


def test_turning_on_names_the_offset_to_a_hundredth_of_a_milliampere() -> None:
    bench = make_bench()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (s := poll()) and replace(s, current_a=s.current_a + 0.0065)  # type: ignore[method-assign]
    bench.running()
    message = bench.supervisor.message
    assert message is not None
    assert message.key == "supervisor.state.relay_on"
    assert message.values == {"zero_offset_ma": pytest.approx(7.5)}
    assert "7.50 mA" in str(message)


# --- off once more ------------------------------------------------------------------------------------------------------


def test_a_relay_that_came_on_while_the_sensor_failed_goes_off_in_the_same_pass() -> None:
    bench = bench_in(S.IDLE)

    def fail() -> Sample | None:
        bench.pin.on()
        raise SensorError("wire off")

    bench.sensor.poll = fail  # type: ignore[method-assign]
    bench.supervisor.tick()
    assert not bench.gate.reads_on()


@pytest.mark.parametrize(("state", "command"), [(S.IDLE, "start"), (S.PAUSED, "resume")])
def test_a_check_begins_with_off(state: RunState, command: str) -> None:
    bench = bench_in(state)
    bench.pin.on()
    if command == "start":
        bench.start()
    else:
        bench.supervisor.resume()
    assert not bench.gate.reads_on()


def test_a_bug_in_every_pass_after_a_trip_is_raised_and_not_told_again() -> None:
    bench = bench_in(S.TRIPPED)
    bench.supervisor.take_news()
    bench.sensor.error = ZeroDivisionError("bug")
    for _ in range(3):
        with pytest.raises(ZeroDivisionError):
            bench.supervisor.tick()
    assert bench.supervisor.take_news() == []
    assert reason_of(bench) is TripReason.SENSOR_FAULT


def test_stop_takes_the_reason_of_a_pause_away() -> None:
    bench = bench_in(S.RUNNING)
    bench.supervisor.cut(Finding(TripReason.LOST_CONTACT))
    bench.gate.revoke(OffRequest.STOP)
    bench.supervisor.tick()
    assert (bench.supervisor.state, bench.supervisor.finding) == (S.STOPPED, None)


def test_a_trip_on_silence_books_the_silence_at_once() -> None:
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


def test_after_a_trip_on_one_bad_reading_the_current_is_still_watched_and_counted() -> None:
    bench = bench_in(S.RUNNING)
    bench.run_for(1.0)
    bench.sensor.error = SensorError("one bad read")
    bench.supervisor.tick()
    bench.sensor.error = None
    assert bench.supervisor.state is S.TRIPPED
    assert bench.supervisor.sensor_finding is None
    assert run_of(bench).counter.is_counting
    assert [type(n) for n in feed(bench, after(bench, 0.0625, 1.0))] == [Counted]


# --- found in review ----------------------------------------------------------------------------------------------------


def test_quick_looks_never_starve_the_count() -> None:
    """One sample over the voltage limit and a current near its own: quick looks clear nothing, so they must not go on alone."""
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


def test_a_run_without_full_samples_is_stale_however_many_quick_looks_come() -> None:
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
def test_a_request_in_the_middle_of_a_pass_is_a_request_and_no_fault(
    request_: OffRequest, state: RunState
) -> None:
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
    """Let the contact weld and the supply be switched by hand: ``weld``, ``live``, ``over`` for a current over its limit."""
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


def test_a_run_whose_relay_welded_after_its_trip_cannot_go_on() -> None:
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


def test_what_flows_through_a_relay_that_shows_its_weld_in_a_pause_is_counted() -> None:
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


def test_the_books_are_done_also_when_off_fails_and_the_next_pass_is_off() -> None:
    bench = make_bench()
    bench.running(for_s=5.0)
    bench.supervisor.take_news()
    failing_off(bench)
    with pytest.raises(OSError, match="does not answer"):
        bench.supervisor.pause()
    run, on_time_s = run_of(bench), run_of(bench).total_on_time_s(bench.clock.monotonic_s())
    assert any(
        isinstance(item, Changed) and item.state is S.PAUSED
        for item in bench.supervisor.take_news()
    )
    bench.tick()
    assert not bench.gate.reads_on()
    bench.run_for(60.0)
    assert run.total_on_time_s(bench.clock.monotonic_s()) == on_time_s, "the stretch has ended"
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(60.0, abs=0.1)


def test_a_trip_is_told_also_when_its_sample_cannot_be_counted(exact: Bench) -> None:
    exact.running(for_s=5.0)
    exact.supervisor.take_news()
    bad = after(exact, 0.05, current_a=-1.0)
    feed(exact, bad)
    going_back = replace(bad, taken_at_s=bad.taken_at_s - 1.0)
    with pytest.raises(ValueError, match="must move forward"):
        feed(exact, going_back)
    news = exact.supervisor.take_news()
    assert exact.supervisor.state is S.TRIPPED
    assert exact.supervisor.finding is not None
    assert exact.supervisor.finding.reason is TripReason.REVERSE_CURRENT
    assert any(isinstance(item, Changed) and item.state is S.TRIPPED for item in news)
