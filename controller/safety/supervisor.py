"""The state machine of the rig and the only caller of ``turn_on``.

It is synchronous, and every way out turns the relay off first. ``tick`` makes one pass: obey a
request for off, poll the sensor, judge the sample, count it. Commands run between ticks on the
same thread. Events go into an outbox, so nothing can block or fail between a bad sample and off.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Any

from controller.config import Settings
from controller.errors import (
    BiteclockError,
    RelayRevokedError,
    SensorError,
    SensorResetError,
    WrongStateError,
)
from controller.messages import (
    EventKind,
    Finding,
    OffRequest,
    RunState,
    Sample,
    Source,
    SourceKind,
    TripReason,
)
from controller.physics.charge import ChargeGapError
from controller.ports import Clock, DeadMan, Gate, PowerSensor, StopButton, Thermometer
from controller.safety.age_watch import Freshness
from controller.safety.checks import WELDED_STREAK, CheckReport, OffWatch, check_rig
from controller.safety.outbox import Began, Changed, Counted, Kept, Noted, OutboxItem, Seen
from controller.safety.reasons import PAUSES, RESUMABLE
from controller.safety.run import ActiveRun
from controller.safety.transitions import AT_WORK, STOP_ENDS, Command, require
from controller.texts import Message, Value

POLL_AGAIN_S = 1.0
"""Outside a run, a failed sensor is polled again after this time, s.

A stuck bus blocks each transfer for a second.
"""

CLEAR_S = 0.25
"""Samples count for the rig check from this time after off, s.

The first conversion straddles the moment of off, the contact takes some ms to open, and the
chip's clock may be 10 % slow.
"""

WATCHED_S = 6.0
"""Samples are recorded for this long after off, s, so that the record shows the current stop."""

_STOPPED_BY = {
    OffRequest.STOP: ("supervisor.command.stop", "supervisor.state.stopped"),
    OffRequest.STOP_BUTTON: (
        "supervisor.command.stop_button",
        "supervisor.state.stopped_by_button",
    ),
}
"""The request that stopped the run -> the keys of the command and of the new state."""

KEEP_S = 30.0
"""How often a paused run is stored, s. After a power cut the wall clock may be wrong. Then only
this much of the pause is missing from the time in the acid."""


class Supervisor:
    """Runs the rig.

    :param freshness: when the newest good sample was taken; shared with the age watch, which
        runs on another thread.
    :param dead_man: pulsed after each good sample of a run, or None when not fitted.
    :param thermometer: bath temperature, or None when not fitted.
    :param stop_button: at the rig, or None when not fitted.

    ``source`` is who gave the command that is being carried out. Whoever calls sets it.

    ``is_welded`` is the alarm: the relay was found welded, and nobody has acknowledged it.
    ``is_weld_latched`` stays until a check passes with the second contactor closed.
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
        stop_button: StopButton | None = None,
    ) -> None:
        self._clock = clock
        self._sensor = sensor
        self._gate = gate
        self._freshness = freshness
        self._limits = settings.limits
        self._max_offset_a = settings.max_zero_offset_a
        self._dead_man = dead_man
        self._thermometer = thermometer
        self._stop_button = stop_button
        self.state = RunState.IDLE
        self.finding: Finding | None = None
        self.run: ActiveRun | None = None
        self.last_sample: Sample | None = None
        self.zero_offset_a: float | None = None
        self.message: Message | None = None
        self.sensor_finding: Finding | None = None
        self.is_welded = False
        self.is_weld_latched = False
        self._off_watch = OffWatch(self._limits, self._max_offset_a, 0.0, clock.monotonic_s())
        self._off_samples: deque[Sample] = deque(maxlen=settings.loop.offset_samples)
        self._poll_again_at_s = -math.inf
        self._outbox: list[OutboxItem] = []
        self._kept_at_s = -math.inf
        self.has_changed = False
        self.source: Source | None = None

    # --- one pass --------------------------------------------------------------------------------

    def tick(self) -> None:
        """Make one pass. An unexpected exception trips the run and is raised again."""
        try:
            self._pass()
        except SensorResetError as error:
            self._sensor_failed(Finding(TripReason.SENSOR_RESET, cause=error.message))
        except SensorError as error:
            self._sensor_failed(Finding(TripReason.SENSOR_FAULT, cause=error.message))
        except BaseException as error:
            try:
                self._gate.turn_off()  # before anything about the error is read
            finally:
                self._trip(_bug(error))
            raise

    def _pass(self) -> None:
        if self.state is not RunState.RUNNING:
            self._gate.turn_off()
        # Read the level before the request: a request that arrives in between explains the level.
        reads_off = self.state is RunState.RUNNING and not self._gate.reads_on()
        standing = self._gate.standing_request()
        if standing is not None:
            self._obey(*standing)
        elif reads_off:
            self._trip(Finding(TripReason.CONTROLLER_FAULT, case="reads_off"))
        if self._clock.monotonic_s() < self._poll_again_at_s:
            return
        sample = self._sensor.poll()
        if sample is not None:
            self.sensor_finding = None
            self._take(sample)
        elif self._is_stale():
            self._sensor_failed(self._stale())

    def _obey(self, request: OffRequest, number: int) -> None:
        """Act on a request for off. The gate has already turned the relay off."""
        if request is OffRequest.SENSOR_STALE:
            if self.state in AT_WORK:
                self._trip(self._stale())
            elif self.state is not RunState.TRIPPED:
                self._gate.reinstate(number)
        elif request is OffRequest.SHUTDOWN:
            if self.state in AT_WORK:
                self._leave(RunState.INTERRUPTED, None, Message("supervisor.state.shut_down"))
        else:
            if self.state in STOP_ENDS:
                command, state = _STOPPED_BY[request]
                is_button = request is OffRequest.STOP_BUTTON
                self.source = Source(SourceKind.BUTTON) if is_button else None
                self._leave(RunState.STOPPED, None, Message(state), command=Message(command))
                self.source = None
            self._gate.reinstate(number)

    # --- samples ---------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> None:
        if not (math.isfinite(sample.current_a) and math.isfinite(sample.voltage_v)):
            raise SensorError("guards.sensor_fault.no_number")
        if self.state is RunState.CHECKING and self._is_stale():
            self._trip(self._stale())  # the process was stopped, or the bus hung, during the check
            return
        if sample.averaged:  # a quick look counts no charge, so it does not keep a run fresh
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
        finding = run.judge(sample, bath_degc, has_thermometer=self._thermometer is not None)
        if finding is not None:
            self._trip(finding, sample)
            return
        for warning in run.take_new_warnings():
            self.note(warning, EventKind.WARNING)
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
            self._leave(RunState.FINISHED, None, Message("supervisor.state.target_reached"))
        elif run.reaches_gauge_stop(sample.taken_at_s) and run.gauge_stop_mm is not None:
            stop = {"gauge_stop_mm": run.gauge_stop_mm}
            self._leave(RunState.PAUSED, None, Message("supervisor.state.gauge_stop", stop))
        else:
            if self._dead_man is not None:
                self._dead_man.pulse()
            if run.wants_second_look:
                self._sensor.look_again()
        self._put_counted(run, sample, bath_degc)

    def _take_off(self, sample: Sample) -> None:
        """Count the current that still flows with the relay off, and check that it stops."""
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
            self.is_welded = self.is_weld_latched = True
            self._trip(finding)
        elif self.state is RunState.CHECKING and len(self._off_samples) == self._off_samples.maxlen:
            self._decide_check()

    def _count_after_off(self, run: ActiveRun, sample: Sample) -> None:
        """Count until the current is zero: while it flows, it etches."""
        try:
            run.count(sample)
        except ChargeGapError as error:
            self.note(error.message, EventKind.WARNING)
        self._put_counted(run, sample, None)
        if self._off_watch.is_zero(sample):
            run.counter.close()

    def report_check(self) -> CheckReport | None:
        """Return the rig check on the latest samples with the relay off, or None if too few."""
        if len(self._off_samples) < (self._off_samples.maxlen or 1):
            return None
        return check_rig(tuple(self._off_samples), self._limits, self._max_offset_a)

    def shows_off(self) -> bool | None:
        """Return whether the newest sample shows neither current nor the supply's voltage.

        None without a sample, and while the relay may be on.
        """
        if self.last_sample is None or self.state is RunState.RUNNING:
            return None
        return self._off_watch.is_clear(self.last_sample)

    def _decide_check(self) -> None:
        report = check_rig(tuple(self._off_samples), self._limits, self._max_offset_a)
        if report.finding is None:
            self.is_weld_latched = False
            self.note(report.message(), EventKind.CHECK, report.figures())
            self._energise(report)
            return
        if report.finding.reason is TripReason.RELAY_WELDED:
            self.is_welded = self.is_weld_latched = True
        self._trip(report.finding)
        self.note(report.message(), EventKind.CHECK, report.figures())

    def _energise(self, report: CheckReport) -> None:
        """Turn the relay on. This is the only call site.

        A request for off in the meantime wins, and the next pass obeys it. The check has passed for
        the last sample; when that is too old by now, the relay stays off. A held stop button
        counts as pressed now.
        """
        run = self._active_run()
        if self._is_stale():
            self._trip(self._stale())
            return
        if self._is_button_held():
            self._gate.revoke(OffRequest.STOP_BUTTON)
            return
        self.zero_offset_a = report.zero_offset_a
        run.begin_stretch(
            self._clock.monotonic_s(), self._off_samples[-1].less_offset(report.zero_offset_a)
        )
        offset = {"zero_offset_ma": report.zero_offset_a * 1000}
        self._change(RunState.RUNNING, Message("supervisor.state.relay_on", offset))
        try:
            self._gate.turn_on()
        except RelayRevokedError:
            run.cancel_stretch(self._clock.monotonic_s())
            self._change(RunState.CHECKING, Message("supervisor.state.off_came_first"))

    # --- ways out --------------------------------------------------------------------------------

    def _sensor_failed(self, finding: Finding) -> None:
        """End a run without a sensor. Outside a run, report the fault and poll again later."""
        if self.state in AT_WORK:
            self._trip(self._stale() if self._is_stale() else finding)
            return
        self._gate.turn_off()
        self.sensor_finding = finding
        self._poll_again_at_s = self._clock.monotonic_s() + POLL_AGAIN_S
        if self.run is not None and self.run.counter.is_counting:
            self.run.counter.give_up(self._age_s())
            self.note(Message("supervisor.note.unseen_end"), EventKind.WARNING)

    def _trip(self, finding: Finding, sample: Sample | None = None) -> None:
        """Trip or pause. ``sample`` is the bad one; it is still counted."""
        state = RunState.PAUSED if finding.reason in PAUSES else RunState.TRIPPED
        self._leave(state, finding, None, sample)

    def _leave(
        self,
        state: RunState,
        finding: Finding | None,
        message: Message | None,
        sample: Sample | None = None,
        command: Message | None = None,
    ) -> None:
        """Turn off, then change the state, then close the books, even when turning off failed.

        The first reason of a trip stays.

        :param command: the person's command, for the event list, or None.
        """
        try:
            self._gate.turn_off()
        finally:
            was, self.state = self.state, state
            if was is not RunState.TRIPPED or self.finding is None:
                self.finding = finding
            if command is not None:
                self.note(command, EventKind.COMMAND)
            self._close_books(was, state, finding.message if finding else message, sample)

    def _close_books(
        self, was: RunState, state: RunState, message: Message | None, sample: Sample | None
    ) -> None:
        """Count what still belongs to the run, and always publish the new state."""
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
            self._publish(was, message)

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
        """End a run for a reason found between ticks. Does nothing outside a run."""
        if self.state in AT_WORK:
            self._trip(finding)

    # --- commands, between ticks -----------------------------------------------------------------

    def start(self, run: ActiveRun) -> None:
        """Begin a run: check the rig with the relay off, then turn on.

        Raises: WrongStateError, also while a fitted thermometer is silent or the button is held.
        """
        require(Command.START, self.state)
        self._require_guards()
        self.run = run
        self._outbox.append(Began(self._clock.monotonic_s(), run.run_id, run.plan))
        plan = run.plan
        asked: dict[str, Value] = {
            "target_depth_mm": plan.target_depth_mm,
            "charge_coulombs": plan.charge_coulombs,
            "current_a": plan.current_a,
        }
        self.note(Message("supervisor.command.start", asked), EventKind.COMMAND)
        self._begin_checking(Message("supervisor.state.checking"))

    def pause(self) -> None:
        """Turn off and keep the run. Raises: WrongStateError."""
        require(Command.PAUSE, self.state)
        command = Message("supervisor.command.pause")
        self._leave(RunState.PAUSED, None, Message("supervisor.state.paused"), command=command)

    def resume(self) -> None:
        """Check the rig, then carry on with a paused or interrupted run.

        Raises: WrongStateError, also while a fitted thermometer is silent or the button is held.
        """
        require(Command.RESUME, self.state)
        self._require_guards()
        self.note(Message("supervisor.command.resume"), EventKind.COMMAND)
        self._begin_checking(Message("supervisor.state.checking_again"))

    def acknowledge(self) -> None:
        """Acknowledge a trip or an ended run.

        A weld stays latched: a second contactor stays open until the next check, and only a check
        that passes clears the latch.

        Raises: WrongStateError, also while current or voltage remains at a welded relay, or while
            no sensor shows that it is gone.
        """
        require(Command.ACKNOWLEDGE, self.state)
        if self.is_welded:
            self._require_dead()
        self.note(Message("supervisor.command.acknowledge"), EventKind.COMMAND)
        was_welded, self.is_welded = self.is_welded, False
        standing = self._gate.standing_request()
        if standing is not None and standing[0] is OffRequest.SENSOR_STALE:
            self._gate.reinstate(standing[1])  # the next pass obeys a Stop
        was, finding, self.finding = self.state, self.finding, None
        if was is not RunState.TRIPPED or self.run is None:
            self.run = None
            self._change(RunState.IDLE, Message("supervisor.state.acknowledged"))
        elif finding is not None and finding.reason in RESUMABLE and not was_welded:
            self._change(RunState.PAUSED, Message("supervisor.state.acknowledged_paused"))
        else:
            self._change(RunState.STOPPED, Message("supervisor.state.acknowledged_ended"))

    def restore(self, run: ActiveRun, message: Message | str) -> None:
        """Take over a run that a crash or a power cut interrupted.

        :param message: what happened, or the stored sentence about it.
        Raises: WrongStateError unless the rig is idle.
        """
        require(Command.START, self.state)
        self.run = run
        self._change(RunState.INTERRUPTED, as_message(message))

    def take_outbox(self) -> list[OutboxItem]:
        """Return and forget what happened since the last call, oldest first."""
        now_s = self._clock.monotonic_s()
        if self.run is not None and (self.has_changed or now_s - self._kept_at_s >= KEEP_S):
            self._kept_at_s = now_s
            self._outbox.append(Kept(self.run.run_id, self.run.checkpoint(now_s)))
        outbox, self._outbox, self.has_changed = self._outbox, [], False
        return outbox

    @property
    def is_thermometer_silent(self) -> bool:
        """Whether a thermometer is fitted and has no fresh reading: nothing guards the bath."""
        return self._thermometer is not None and self._thermometer.latest_degc() is None

    def _is_button_held(self) -> bool:
        return self._stop_button is not None and self._stop_button.is_held()

    def _require_guards(self) -> None:
        if self._is_button_held():
            raise WrongStateError("supervisor.refused.stop_button_held")
        if self.is_thermometer_silent:
            raise WrongStateError("supervisor.refused.thermometer_silent")

    # --- small -----------------------------------------------------------------------------------

    def _begin_checking(self, message: Message) -> None:
        self._gate.turn_off()
        self.finding = None
        self._off_samples.clear()
        self._poll_again_at_s = -math.inf
        self._freshness.taken_at_s = self._clock.monotonic_s()
        self._change(RunState.CHECKING, message)

    def _change(self, state: RunState, message: Message) -> None:
        was, self.state = self.state, state
        self._publish(was, message)

    def _publish(self, was: RunState, message: Message | None) -> None:
        self.message = message
        now_s = self._clock.monotonic_s()
        run_id, totals = (
            (None, None) if self.run is None else (self.run.run_id, self.run.totals(now_s))
        )
        self.has_changed = True
        self._outbox.append(Changed(now_s, run_id, was, self.state, self.finding, message, totals))

    def _put_counted(self, run: ActiveRun, sample: Sample, bath_degc: float | None) -> None:
        at_s = sample.taken_at_s
        self._outbox.append(
            Counted(run.run_id, sample, run.totals(at_s), bath_degc, run.checkpoint(at_s))
        )

    def replace_message(self, message: Message | str) -> None:
        """Replace the message of the present state, and add it to the event list."""
        self.message = as_message(message)
        self.note(self.message)

    def note(
        self,
        message: Message | str,
        kind: EventKind = EventKind.NOTE,
        data: Mapping[str, Any] | None = None,
    ) -> None:
        """Add a line to the event list without a change of state.

        :param data: figures, units in the keys, or None.
        """
        self.has_changed = True
        now_s, run = self._clock.monotonic_s(), self.run
        run_id, on_time_s = (None, 0.0) if run is None else (run.run_id, run.total_on_time_s(now_s))
        source = self.source if kind is EventKind.COMMAND else None
        self._outbox.append(
            Noted(now_s, run_id, kind, as_message(message), on_time_s, data, source)
        )

    def _active_run(self) -> ActiveRun:
        if self.run is None:
            raise RuntimeError("no run in this state", self.state)
        return self.run

    def _require_dead(self) -> None:
        """Raise WrongStateError unless fresh samples show neither current nor voltage.

        One such sample may come from a contact that chatters, so as many must show it as it takes
        to find a weld.
        """
        newest = tuple(self._off_samples)[-WELDED_STREAK:]
        if self.sensor_finding is not None or self._is_stale():
            raise WrongStateError("supervisor.refused.weld_unseen")
        oldest_s = self._clock.monotonic_s() - self._limits.max_sample_age_s
        if len(newest) < WELDED_STREAK or any(
            sample.taken_at_s < oldest_s
            or not self._off_watch.is_clear(sample.less_offset(self.zero_offset_a or 0.0))
            for sample in newest
        ):
            raise WrongStateError("supervisor.refused.still_live")

    def _age_s(self) -> float:
        return self._clock.monotonic_s() - self._freshness.taken_at_s

    def _is_stale(self) -> bool:
        return self._age_s() > self._limits.max_sample_age_s

    def _stale(self, age_s: float | None = None) -> Finding:
        value_s = self._age_s() if age_s is None else age_s
        return Finding(TripReason.SENSOR_STALE, value_s, self._limits.max_sample_age_s, "s")


def as_message(message: Message | str) -> Message:
    """Return a message. A stored sentence becomes a message whose key is the sentence."""
    return message if isinstance(message, Message) else Message(message)


def _bug(error: BaseException) -> Finding:
    """Return the finding for an exception that nobody expected."""
    try:
        detail: Value = error.message if isinstance(error, BiteclockError) else str(error)
    except Exception:
        detail = "?"  # an exception that cannot even be printed
    values: dict[str, Value] = {"kind": type(error).__name__, "detail": detail}
    cause = Message("guards.controller_fault.exception", values)
    return Finding(TripReason.CONTROLLER_FAULT, cause=cause)
