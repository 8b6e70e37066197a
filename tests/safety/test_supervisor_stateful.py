"""The supervisor under any sequence of commands, samples, faults, sensor errors and time.

Through the real relay gate.
"""

from __future__ import annotations

import math

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.errors import SensorError, SensorResetError, WrongStateError
from controller.messages import OffRequest, RunState, Sample, TripReason
from controller.safety.run import new_run
from controller.safety.transitions import STOP_ENDS
from hardware.relay import RelayGate
from tests.kits.doubles import POLL_S, Bench, RecordingPin, make_bench, silver_request

S = RunState

PLANNED_A = 3.0
READINGS = [
    (PLANNED_A, 3.0), (2.9, 3.1), (0.0, 0.2), (0.2, 5.0), (1.5, 3.0), (3.85, 3.0), (4.0, 3.0),
    (9.0, 3.0), (3.0, 7.0), (3.0, 0.1),
    (-0.04, 0.0), (-3.0, -2.0), (math.nan, 3.0), (3.0, math.inf),
]  # fmt: skip


class UnheardOfError(Exception):
    """Stands for any bug that nobody thought of."""


ERRORS = (SensorError("wire off"), SensorResetError("reset"), UnheardOfError("what is this"))


class Contact:
    """The relay's contact as the sensor meets it: it follows the gate, or it is welded."""

    def __init__(self, gate: RelayGate) -> None:
        self._gate = gate
        self.welded = False

    def reads_on(self) -> bool:
        return self.welded or self._gate.reads_on()


class StopInMidPass:
    """The sensor. Once armed, somebody presses Stop in the very pass that is about to turn on."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.is_armed = False

    def poll(self) -> Sample | None:
        sample = self._bench.sensor.poll()
        waiting = self._bench.supervisor._off_samples
        is_last = self._bench.supervisor.state is S.CHECKING and len(waiting) + 1 == waiting.maxlen
        if self.is_armed and is_last and sample is not None:
            self.is_armed = False
            self._bench.gate.revoke(OffRequest.STOP)
        return sample

    def look_again(self) -> None:
        self._bench.sensor.look_again()


class Machine(RuleBasedStateMachine):
    """Everything that can befall the supervisor, in any order.

    An accepted start or resume sets ``may_turn_on``. Turning on clears it, and so does each
    request for off.
    """

    @initialize(age_s=st.sampled_from([0.4, 1.0, 3.0]), grace_s=st.sampled_from([0.5, 20.0]))
    def begin(self, age_s: float, grace_s: float) -> None:
        self.bench = make_bench(limits={"max_sample_age_s": age_s, "contact_grace_s": grace_s})
        self.bench.sensor.reading = lambda _now_s: self.reading
        self.contact = Contact(self.bench.gate)
        self.bench.sensor.gate = self.contact  # type: ignore[assignment]
        self.stop_in_mid_pass = StopInMidPass(self.bench)
        self.bench.supervisor._sensor = self.stop_in_mid_pass  # type: ignore[assignment]
        self.oldest_s = age_s + self.bench.settings.loop.age_check_s + 1e-6
        self.reading = READINGS[0]
        self.may_turn_on = self.was_shut_down = False
        self.turned_on = 0
        self.lowest_a = 0.0
        self.books = (0.0, 0.0, self.bench.clock.monotonic_s())
        self.run_id = 0
        self.seen: tuple[RunState, TripReason | None] = (S.IDLE, None)
        self.go_on_well(runs=True)

    @rule(runs=st.booleans())
    def go_on_well(self, runs: bool) -> None:
        """All is put right and acknowledged. The run goes on, or a new one begins."""
        self.all_is_mended()
        self.time_passes(90)  # a check that is under way ends first, with what it saw before
        self.acknowledge()
        self.acknowledge()
        if self.bench.supervisor.state in (S.PAUSED, S.INTERRUPTED):
            self.resume()
        else:
            self.start()
        self.time_passes(90 if runs else 20)
        if runs and not self.was_shut_down and not self.stop_in_mid_pass.is_armed:
            assert self.bench.supervisor.state in (S.RUNNING, S.STOPPED)

    # --- time and the sensor ---------------------------------------------------------------------

    @rule(passes=st.sampled_from([1, 2, 5, 20, 60, 60, 100]))
    def time_passes(self, passes: int) -> None:
        for _ in range(passes):
            self.one_pass()
            self.bench.clock.advance(POLL_S)
            self.look()

    @rule(seconds=st.sampled_from([0.1, 0.5, 2.5]))
    def the_loop_is_late(self, seconds: float) -> None:
        self.bench.clock.advance(seconds)

    @rule(reading=st.sampled_from(READINGS))
    def the_cell_changes(self, reading: tuple[float, float]) -> None:
        self.reading = reading
        self.lowest_a = (
            min(self.lowest_a, reading[0]) if math.isfinite(reading[0]) else self.lowest_a
        )

    @rule()
    def all_is_mended(self) -> None:
        sensor = self.bench.sensor
        sensor.error, sensor.frozen, sensor.saturated, self.contact.welded, self.reading = (
            None,
            False,
            False,
            False,
            READINGS[0],
        )

    @rule(what=st.sampled_from([*ERRORS, "frozen", "saturated", None]))
    def something_breaks(self, what: Exception | str | None) -> None:
        if isinstance(what, Exception):
            self.bench.sensor.error = what
        elif what is None:
            self.contact.welded = True
        else:
            setattr(self.bench.sensor, what, True)

    @rule(reading=st.sampled_from(READINGS))
    def the_relay_welds_and_the_run_ends(self, reading: tuple[float, float]) -> None:
        """A second reason comes after the first: the current goes on."""
        self.contact.welded = True
        self.the_cell_changes(reading)
        self.time_passes(90)

    @rule()
    def stop_will_come_in_mid_pass(self) -> None:
        self.stop_in_mid_pass.is_armed = True

    def one_pass(self) -> None:
        try:
            self.bench.supervisor.tick()
        except UnheardOfError:
            assert self.bench.sensor.error is not None
            assert self.bench.supervisor.state is S.TRIPPED
            assert self.bench.pin.value == 0

    # --- people ----------------------------------------------------------------------------------

    @rule()
    def start(self) -> None:
        self.run_id += 1
        run = new_run(f"r{self.run_id}", PLAN, self.bench.settings.limits)
        if self.accepted(lambda: self.bench.supervisor.start(run)):
            self.may_turn_on = not self.was_shut_down
            self.books = (0.0, 0.0, self.bench.clock.monotonic_s())

    @rule()
    def resume(self) -> None:
        if self.accepted(self.bench.supervisor.resume):
            self.may_turn_on = not self.was_shut_down

    @rule()
    def pause(self) -> None:
        if self.accepted(self.bench.supervisor.pause):
            self.may_turn_on = False
            assert self.bench.supervisor.state is S.PAUSED

    @rule()
    def acknowledge(self) -> None:
        was = self.bench.supervisor.state
        if self.accepted(self.bench.supervisor.acknowledge):
            assert was in (S.TRIPPED, S.FINISHED, S.STOPPED)
            assert self.bench.supervisor.finding is None

    @rule(request=st.sampled_from([OffRequest.STOP, OffRequest.STOP_BUTTON]))
    def stop(self, request: OffRequest) -> None:
        was = self.bench.supervisor.state
        self.bench.gate.revoke(request)
        self.may_turn_on = False
        assert self.bench.pin.value == 0, "in the same instant"
        self.one_pass()
        state = self.bench.supervisor.state
        if was in STOP_ENDS:
            assert state in (S.STOPPED, S.TRIPPED), (
                f"stopped, not {state}: the same pass may find a welded relay or a bug"
            )
        self.seen = (state, self.reason())

    @precondition(lambda self: self.run_id > 4)
    @rule()
    def shut_down(self) -> None:
        self.bench.gate.revoke(OffRequest.SHUTDOWN)
        self.may_turn_on, self.was_shut_down = False, True
        assert self.bench.pin.value == 0

    def accepted(self, command: object) -> bool:
        """Give a command: it is carried out, or refused by its name and without a trace."""
        before = (self.bench.supervisor.state, self.bench.supervisor.finding, self.bench.pin.value)
        try:
            command()  # type: ignore[operator]
        except WrongStateError:
            assert (
                self.bench.supervisor.state,
                self.bench.supervisor.finding,
                self.bench.pin.value,
            ) == before
            return False
        self.seen = (self.bench.supervisor.state, self.reason())
        return True

    # --- what must hold --------------------------------------------------------------------------

    def reason(self) -> TripReason | None:
        finding = self.bench.supervisor.finding
        return None if finding is None else finding.reason

    @invariant()
    def look(self) -> None:
        bench, supervisor = self.bench, self.bench.supervisor
        pin: RecordingPin = bench.pin
        now_s = bench.clock.monotonic_s()
        if pin.value:
            assert supervisor.state is S.RUNNING
            assert now_s - bench.freshness.taken_at_s <= self.oldest_s, "on with an old sample"
        if bench.gate.standing_request() is not None:
            assert pin.value == 0, "a request for off stands"
        turned_on = pin.levels.count(1)
        if turned_on > self.turned_on:
            assert turned_on == self.turned_on + 1
            assert self.may_turn_on, (
                "turned on though nobody asked for it, or after a request for off"
            )
            self.turned_on, self.may_turn_on = turned_on, False
        state, reason = self.seen
        if state is S.TRIPPED:
            assert supervisor.state is S.TRIPPED, "left tripped without an acknowledgement"
        if reason is not None and supervisor.state is state:
            assert self.reason() is reason, "a later reason took the place of the first"
        self.seen = (supervisor.state, self.reason())
        if supervisor.run is not None:
            self.look_at_the_books(now_s)

    def look_at_the_books(self, now_s: float) -> None:
        counter = self.bench.supervisor.run.counter  # type: ignore[union-attr]
        charge, uncertain, then_s = self.books
        assert math.isfinite(counter.charge_coulombs)
        assert math.isfinite(counter.uncertain_coulombs)
        # Between two samples at most max_gap_s lie; 2 mA stand for the zero offset.
        may_fall = (0.002 - self.lowest_a) * (now_s - then_s + counter.max_gap_s)
        assert counter.charge_coulombs >= charge - may_fall
        assert counter.uncertain_coulombs >= uncertain
        self.books = (counter.charge_coulombs, counter.uncertain_coulombs, now_s)


PLAN = make_bench().start(silver_request(current_a=PLANNED_A))

Machine.TestCase.settings = settings(
    max_examples=max(150, settings.default.max_examples),  # 5,000 in make search
    stateful_step_count=40,
    suppress_health_check=list(HealthCheck),
)
TestSupervisor = Machine.TestCase
