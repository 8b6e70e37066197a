"""The state machine of the bench and the only caller of ``turn_on``. Synchronous; off comes first on every way out.

``tick`` is one pass: obey a standing request for off, poll the sensor, judge, count. Commands come between ticks on the
same thread. What happened is left in an outbox, so that nothing can block or fail between a bad sample and off.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Any

from controller.config import Settings
from controller.errors import RelayRevokedError, SensorError, SensorResetError, WrongStateError
from controller.messages import EventKind, Finding, OffRequest, RunState, Sample, TripReason
from controller.physics.charge import ChargeGapError
from controller.ports import Clock, DeadMan, Gate, PowerSensor, Thermometer
from controller.safety.advice import PAUSES, RESUMABLE, describe
from controller.safety.age_watch import Freshness
from controller.safety.checks import CheckReport, OffWatch, check_rig
from controller.safety.outbox import Began, Changed, Counted, Kept, Noted, OutboxItem, Seen
from controller.safety.run import ActiveRun
from controller.safety.transitions import AT_WORK, STOP_ENDS, Command, require

POLL_AGAIN_S = 1.0
"""Outside a run a sensor that failed is asked again after this time: a stuck bus blocks a second for each transaction."""

CLEAR_S = 0.25
"""Samples count for the rig check from this time after off, s: the first conversion straddles the moment of off, the contact
takes some ms, and the chip's clock may be 10 % slow."""

WATCHED_S = 6.0
"""Samples are handed on for this long after off, s, also when nothing flows any more: the record shows that it ended."""

KEEP_S = 30.0
"""In a pause the run is written down again after this time, s. After a power cut the wall clock may
not tell how long the plate hung in the acid: then only this much of the pause is missing."""


class Supervisor:
    """Runs the bench.

    :param freshness: shared with the age watch, which looks at the newest good sample from another thread.
    :param dead_man: pulsed after each good sample of a run, or None when not fitted.
    :param thermometer: bath temperature, or None when not fitted.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        sensor: PowerSensor,
        gate: Gate,
        freshness: Freshness,
        settings: Settings,
        dead_man: DeadMan | None = None,
        thermometer: Thermometer | None = None,
    ) -> None:
        self._clock = clock
        self._sensor = sensor
        self._gate = gate
        self._freshness = freshness
        self._limits = settings.limits
        self._max_offset_a = settings.max_zero_offset_a
        self._dead_man = dead_man
        self._thermometer = thermometer
        self.state = RunState.IDLE
        self.finding: Finding | None = None
        self.run: ActiveRun | None = None
        self.last_sample: Sample | None = None
        self.zero_offset_a: float | None = None
        self.message: str | None = None
        self.sensor_message: str | None = None
        self.is_welded = False
        self._off_watch = OffWatch(self._limits, self._max_offset_a, 0.0, clock.monotonic_s())
        self._off_samples: deque[Sample] = deque(maxlen=settings.loop.offset_samples)
        self._poll_again_at_s = -math.inf
        self._outbox: list[OutboxItem] = []
        self._kept_at_s = -math.inf
        self.has_changed = False

    # --- one pass ---------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Make one pass. A bug is also a reason to switch off: it trips, and is raised again."""
        try:
            self._pass()
        except SensorResetError as error:
            self._sensor_failed(Finding(TripReason.SENSOR_RESET, detail=str(error)))
        except SensorError as error:
            self._sensor_failed(Finding(TripReason.SENSOR_FAULT, detail=str(error)))
        except BaseException as error:
            self._trip(
                Finding(TripReason.CONTROLLER_FAULT, detail=f"{type(error).__name__}: {error}")
            )
            raise

    def _pass(self) -> None:
        if self.state is not RunState.RUNNING:
            self._gate.turn_off()
        reads_off = (
            self.state is RunState.RUNNING and not self._gate.reads_on()
        )  # first: a request may come between the two
        standing = self._gate.standing_request()
        if standing is not None:
            self._obey(*standing)
        elif reads_off:
            self._trip(
                Finding(
                    TripReason.CONTROLLER_FAULT,
                    detail="the relay output reads off in the middle of a run",
                )
            )
        if self._clock.monotonic_s() < self._poll_again_at_s:
            return
        sample = self._sensor.poll()
        if sample is not None:
            self.sensor_message = None
            self._take(sample)
        elif self._is_stale():
            self._sensor_failed(self._stale())

    def _obey(self, request: OffRequest, number: int) -> None:
        """Deal with a standing request; the gate has turned the relay off already."""
        if request is OffRequest.SENSOR_STALE:
            if self.state in AT_WORK:
                self._trip(self._stale())
            elif self.state is not RunState.TRIPPED:
                self._gate.reinstate(number)
        elif request is OffRequest.SHUTDOWN:
            if self.state in AT_WORK:
                self._leave(RunState.INTERRUPTED, None, "The service was told to end.")
        else:
            if self.state in STOP_ENDS:
                by = "the stop button" if request is OffRequest.STOP_BUTTON else "Stop"
                command = (
                    "Stop, at the stop button." if request is OffRequest.STOP_BUTTON else "Stop."
                )
                self._leave(RunState.STOPPED, None, f"Stopped by {by}.", command=command)
            self._gate.reinstate(number)

    # --- samples ----------------------------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> None:
        if not (math.isfinite(sample.current_a) and math.isfinite(sample.voltage_v)):
            raise SensorError("the sensor returned no number")
        if sample.averaged:  # quick looks alone count nothing: without full samples a run is stale
            self._freshness.taken_at_s = sample.taken_at_s
        elif self.run is not None:
            self.run.counter.look(sample)
        if self.state is RunState.RUNNING:
            self._take_running(sample.less_offset(self.zero_offset_a or 0.0))
        else:
            self._take_off(sample)

    def _take_running(self, sample: Sample) -> None:
        run = self._active_run()
        bath_degc = None if self._thermometer is None else self._thermometer.latest_degc()
        finding = run.judge(sample, bath_degc)
        if finding is not None:
            self._trip(finding, sample)
            return
        for text in run.take_new_warnings():
            self.note(text, EventKind.WARNING)
        self.last_sample = sample
        if not sample.averaged:
            self._outbox.append(Seen(run.run_id, sample))
            if run.wants_second_look:
                self._sensor.look_again()
            return
        try:
            run.count(sample)
        except ChargeGapError as error:
            self._trip(self._stale(error.gap_s))
            return
        if run.has_reached_target(sample.taken_at_s):
            self._leave(RunState.FINISHED, None, "Target depth reached.")
        elif run.reaches_gauge_stop(sample.taken_at_s):
            self._leave(
                RunState.PAUSED,
                None,
                f"Gauge stop at {run.gauge_stop_mm:.3f} mm. Lift, rinse and gauge the plate.",
            )
        else:
            if self._dead_man is not None:
                self._dead_man.pulse()
            if run.wants_second_look:
                self._sensor.look_again()
        self._tell_counted(run, sample, bath_degc)

    def _take_off(self, sample: Sample) -> None:
        """Take a sample with the relay off: count what still flows, and make sure that it stops."""
        if not sample.averaged:
            return
        if sample.taken_at_s - self._off_watch.off_at_s >= CLEAR_S:
            self._off_samples.append(sample)
        nulled = self.last_sample = sample.less_offset(self.zero_offset_a or 0.0)
        if self.run is not None and self.run.counter.is_counting:
            self._count_after_off(self.run, nulled)
        elif self.run is not None and sample.taken_at_s - self._off_watch.off_at_s < WATCHED_S:
            self._outbox.append(Seen(self.run.run_id, nulled))
        finding = self._off_watch.take(nulled)
        if finding is not None and not self.is_welded:
            self.is_welded = True
            self._trip(finding)
        elif self.state is RunState.CHECKING and len(self._off_samples) == self._off_samples.maxlen:
            self._decide_check()

    def _count_after_off(self, run: ActiveRun, sample: Sample) -> None:
        """Go on counting until the current is zero: what flows also etches."""
        try:
            run.count(sample)
        except ChargeGapError as error:
            self.note(str(error), EventKind.WARNING)
        self._tell_counted(run, sample, None)
        if self._off_watch.is_zero(sample):
            run.counter.close()

    def report_check(self) -> CheckReport | None:
        """Return the rig check on the latest samples with the relay off, or None while there are too few."""
        if len(self._off_samples) < (self._off_samples.maxlen or 1):
            return None
        return check_rig(tuple(self._off_samples), self._limits, self._max_offset_a)

    def _decide_check(self) -> None:
        report = check_rig(tuple(self._off_samples), self._limits, self._max_offset_a)
        if report.finding is None:
            self.note(report.text(), EventKind.CHECK, report.figures())
            self._energise(report)
            return
        self.is_welded = report.finding.reason is TripReason.RELAY_WELDED
        self._trip(report.finding)
        self.note(report.text(), EventKind.CHECK, report.figures())

    def _energise(self, report: CheckReport) -> None:
        """Turn the relay on: the one call site. A request for off that came meanwhile wins, the next pass obeys it."""
        run = self._active_run()
        self.zero_offset_a = report.zero_offset_a
        run.begin_stretch(
            self._clock.monotonic_s(), self._off_samples[-1].less_offset(report.zero_offset_a)
        )
        self._change(
            RunState.RUNNING,
            f"Relay on. Zero offset {report.zero_offset_a * 1000:.2f} mA taken out.",
        )
        try:
            self._gate.turn_on()
        except RelayRevokedError:
            run.cancel_stretch(self._clock.monotonic_s())
            self._change(RunState.CHECKING, "Off was asked for before the relay turned on.")

    # --- ways out ---------------------------------------------------------------------------------------------------

    def _sensor_failed(self, finding: Finding) -> None:
        """Without a sensor a run ends. Elsewhere it is told, and asked again after a while."""
        if self.state in AT_WORK:
            self._trip(self._stale() if self._is_stale() else finding)
            return
        self._gate.turn_off()
        self.sensor_message = describe(finding)
        self._poll_again_at_s = self._clock.monotonic_s() + POLL_AGAIN_S
        if self.run is not None and self.run.counter.is_counting:
            self.run.counter.give_up(self._age_s())
            text = (
                "The current could not be seen to fall to zero: look at the supply's own ammeter."
            )
            self.note(text, EventKind.WARNING)

    def _trip(self, finding: Finding, sample: Sample | None = None) -> None:
        """Leave for good reason; ``sample`` is the one that was judged bad, still to be counted."""
        self._leave(
            RunState.PAUSED if finding.reason in PAUSES else RunState.TRIPPED, finding, None, sample
        )

    def _leave(
        self,
        state: RunState,
        finding: Finding | None,
        text: str | None,
        sample: Sample | None = None,
        command: str | None = None,
    ) -> None:
        """Turn off, then change the state, then do the books, also when off failed.

        The first reason of a trip stays.

        :param command: what a person asked for, as an event, or None.
        """
        try:
            self._gate.turn_off()
        finally:
            was, self.state = self.state, state
            if was is not RunState.TRIPPED or self.finding is None:
                self.finding = finding
            if command is not None:
                self.note(command, EventKind.COMMAND)
            self._close_books(was, state, text if finding is None else describe(finding), sample)

    def _close_books(
        self, was: RunState, state: RunState, text: str | None, sample: Sample | None
    ) -> None:
        """Count what still belongs to the run, and tell the new state whatever happens."""
        if was is state is RunState.TRIPPED and not self.is_welded:
            return
        if (
            self.is_welded
            and self.run is not None
            and self.last_sample is not None
            and not self.run.counter.is_counting
        ):
            self.run.counter.anchor(self.last_sample)
        self._off_samples.clear()
        try:
            if was is RunState.RUNNING:
                self._close_stretch(self._active_run(), sample)
        finally:
            self._tell(was, text)

    def _close_stretch(self, run: ActiveRun, sample: Sample | None) -> None:
        now_s = self._clock.monotonic_s()
        self._off_watch = OffWatch(self._limits, self._max_offset_a, run.plan.current_a, now_s)
        run.end_stretch(now_s)
        if sample is not None:
            self.last_sample = sample
            if sample.averaged:
                self._count_after_off(run, sample)
            else:
                self._outbox.append(Seen(run.run_id, sample))
        elif self._is_stale():
            run.counter.give_up(self._age_s())

    def cut(self, finding: Finding) -> None:
        """End a run for a reason found outside the pass, between ticks. Does nothing outside a run."""
        if self.state in AT_WORK:
            self._trip(finding)

    # --- commands, between ticks ------------------------------------------------------------------------------------

    def start(self, run: ActiveRun) -> None:
        """Begin a run: checks with the relay off, then on. Raises: WrongStateError."""
        require(Command.START, self.state)
        self.run = run
        self._outbox.append(Began(self._clock.monotonic_s(), run.run_id, run.plan))
        plan = run.plan
        asked = (
            f"{plan.target_depth_mm:.3f} mm, {plan.charge_coulombs:.0f} C at {plan.current_a:.2f} A"
        )
        self.note(f"Start: {asked}.", EventKind.COMMAND)
        self._begin_checking("Checking the rig with the relay off.")

    def pause(self) -> None:
        """Turn off and keep the run. Raises: WrongStateError."""
        require(Command.PAUSE, self.state)
        text = "Paused. Lift and rinse the plate: the acid goes on without current."
        self._leave(RunState.PAUSED, None, text, command="Pause.")

    def resume(self) -> None:
        """Go on with a paused or interrupted run: checks first. Raises: WrongStateError."""
        require(Command.RESUME, self.state)
        self.note("Resume.", EventKind.COMMAND)
        self._begin_checking("Checking the rig again with the relay off.")

    def acknowledge(self) -> None:
        """Take note of a trip or an ended run. Raises: WrongStateError, also while a welded relay still carries current."""
        require(Command.ACKNOWLEDGE, self.state)
        if self.is_welded and not self._is_dead():
            raise WrongStateError(
                "the relay is off and the cell still has current or voltage: pull the supply's plug first"
            )
        self.note("Acknowledge.", EventKind.COMMAND)
        was_welded, self.is_welded = self.is_welded, False
        standing = self._gate.standing_request()
        if standing is not None:
            self._gate.reinstate(standing[1])
        was, finding, self.finding = self.state, self.finding, None
        if was is not RunState.TRIPPED or self.run is None:
            self.run = None
            self._change(RunState.IDLE, "Acknowledged.")
        elif finding is not None and finding.reason in RESUMABLE and not was_welded:
            self._change(RunState.PAUSED, "Acknowledged. Resume when it is put right, or stop.")
        else:
            self._change(RunState.STOPPED, "Acknowledged. The run has ended.")

    def restore(self, run: ActiveRun, text: str) -> None:
        """Take over a run that a crash or power cut interrupted; only an idle bench can. Raises: WrongStateError."""
        require(Command.START, self.state)
        self.run = run
        self._change(RunState.INTERRUPTED, text)

    def take_outbox(self) -> list[OutboxItem]:
        """Return and forget what happened since the last call, oldest first."""
        now_s = self._clock.monotonic_s()
        if self.run is not None and (self.has_changed or now_s - self._kept_at_s >= KEEP_S):
            self._kept_at_s = now_s
            self._outbox.append(Kept(self.run.run_id, self.run.checkpoint(now_s)))
        outbox, self._outbox, self.has_changed = self._outbox, [], False
        return outbox

    # --- small ------------------------------------------------------------------------------------------------------

    def _begin_checking(self, text: str) -> None:
        self._gate.turn_off()
        self.finding = None
        self._off_samples.clear()
        self._poll_again_at_s = -math.inf
        self._freshness.taken_at_s = self._clock.monotonic_s()
        self._change(RunState.CHECKING, text)

    def _change(self, state: RunState, text: str) -> None:
        was, self.state = self.state, state
        self._tell(was, text)

    def _tell(self, was: RunState, text: str | None) -> None:
        self.message = text
        now_s = self._clock.monotonic_s()
        run_id, totals = (
            (None, None) if self.run is None else (self.run.run_id, self.run.totals(now_s))
        )
        self.has_changed = True
        self._outbox.append(Changed(now_s, run_id, was, self.state, self.finding, text, totals))

    def _tell_counted(self, run: ActiveRun, sample: Sample, bath_degc: float | None) -> None:
        at_s = sample.taken_at_s
        self._outbox.append(
            Counted(run.run_id, sample, run.totals(at_s), bath_degc, run.checkpoint(at_s))
        )

    def say(self, text: str) -> None:
        """Replace the message of the present state, and put it into the event list."""
        self.message = text
        self.note(text)

    def note(
        self, text: str, kind: EventKind = EventKind.NOTE, data: Mapping[str, Any] | None = None
    ) -> None:
        """Put a line that is no change of state into the event list.

        :param data: figures, units in the keys, or None.
        """
        self.has_changed = True
        now_s, run = self._clock.monotonic_s(), self.run
        if run is None:
            self._outbox.append(Noted(now_s, None, kind, text, 0.0, data))
        else:
            on_time_s = run.total_on_time_s(now_s)
            self._outbox.append(Noted(now_s, run.run_id, kind, text, on_time_s, data))

    def _active_run(self) -> ActiveRun:
        if self.run is None:
            raise RuntimeError(f"state {self.state.value} without a run")
        return self.run

    def _is_dead(self) -> bool:
        """Return whether the newest sample shows neither current nor the supply's voltage."""
        sample = self.last_sample
        return (
            sample is not None
            and self._off_watch.is_zero(sample)
            and sample.voltage_v <= self._limits.off_voltage_v
        )

    def _age_s(self) -> float:
        return self._clock.monotonic_s() - self._freshness.taken_at_s

    def _is_stale(self) -> bool:
        return self._age_s() > self._limits.max_sample_age_s

    def _stale(self, age_s: float | None = None) -> Finding:
        value_s = self._age_s() if age_s is None else age_s
        return Finding(
            TripReason.SENSOR_STALE,
            value_s,
            self._limits.max_sample_age_s,
            "s",
            "the sensor sent no new reading",
        )
