"""Brings back the run that a crash, a power cut or the end of the service interrupted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from controller.config import LimitSettings, Settings
from controller.logbook.logbook import Logbook
from controller.logbook.reader import RunRecord
from controller.logbook.stored_readings import readings_that_stand
from controller.messages import EventKind, RunState, Snapshot
from controller.physics.learning.stored import learner_from_json
from controller.planning.json_form import plan_from_logbook, request_from_json
from controller.planning.knowledge import Knowledge
from controller.planning.plan import (
    drivable_current_a,
    make_plan,
    planned_metal,
    refuse_unseen_current,
    sure_current_a,
)
from controller.planning.run_plan import RunPlan
from controller.ports import Clock
from controller.recording.recorder import RunRecorder
from controller.safety.checkpoint import Moment, checkpoint_from_json, moment_of, time_away_s
from controller.safety.limits import limits_for
from controller.safety.outbox import OutboxItem
from controller.safety.restored import restored_run
from controller.safety.run import ActiveRun, new_run
from controller.safety.supervisor import Supervisor
from controller.texts import Message, Value


@dataclass(frozen=True, slots=True)
class _Restored:
    """A restored run.

    :param then: the moment of its checkpoint, or None when the time away will never be known.
    :param away_s: time since then, or None when unknown.
    :param is_of_older_version: an older version recorded it, without a checkpoint.
    """

    run: ActiveRun
    then: Moment | None
    now: Moment
    away_s: float | None
    is_of_older_version: bool


class Restorer:
    """A follower that waits for the logbook and then restores its interrupted run, once.

    :param sensor_range_a: full scale of the current measurement, A.
    """

    def __init__(
        self,
        supervisor: Supervisor,
        logbook: Logbook,
        recorder: RunRecorder,
        clock: Clock,
        settings: Settings,
        sensor_range_a: float,
    ) -> None:
        self._supervisor = supervisor
        self._logbook = logbook
        self._recorder = recorder
        self._clock = clock
        self._settings = settings
        self._sensor_range_a = sensor_range_a
        self._is_done = False
        self._restored: _Restored | None = None
        self._ended: Value = ""
        self.message: Message | None = None

    def not_ready(self) -> Message | None:
        """Return why no run may start yet, or None."""
        if self._is_done:
            return None
        return self._logbook.why_not_ready() or Message("run.restored.reading_logbook")

    def follow(self, _snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Restore as soon as the logbook is ready."""
        if self._restored is not None:
            # Only when a snapshot shows the run: nobody may see a rig that is ready and idle.
            self._is_done = True
            self._ask_the_clock_again(self._restored)
        if (
            self._is_done
            or not self._logbook.is_ready()
            or self._supervisor.state is not RunState.IDLE
        ):
            return  # a trip at start, such as a welded relay, must be acknowledged first
        record = self._logbook.interrupted
        if record is None:
            self._is_done = True
            return
        run_id = record.summary.run_id
        try:
            restored = self._restore(record)
            restored.run.totals(restored.now.at_s)  # what the next snapshot needs can be computed
            restored.run.checkpoint(restored.now.at_s)
        except Exception as error:  # nothing in a file may keep the rig from starting
            values: dict[str, Value] = {"run": run_id, "problem": str(error)}
            self.message = Message("run.restored.refused", values)
            self._supervisor.note(self.message, EventKind.WARNING)
            self._is_done = True
            return
        self._restored = restored
        self._ended = record.summary.message or Message("run.restored.interrupted")
        self._supervisor.restore(restored.run, _message(restored, self._ended))
        self._recorder.took_over(run_id, restored.now.at_s, record.summary.progress)

    def _restore(self, record: RunRecord) -> _Restored:
        """Return the run of a record. Raises: RefusedError, KeyError, TypeError, ValueError."""
        run_id, kept = record.summary.run_id, record.kept
        settings = self._settings_of(record)
        plan = self._plan_of(record, settings)
        now, then, away_s = moment_of(self._clock), None, None
        if kept is None:
            run = new_run(run_id, plan, settings.limits)
            progress = record.summary.progress
            run.on_time_s = progress.on_time_s
            run.counter.charge_coulombs = progress.charge_coulombs
            run.counter.uncertain_coulombs = progress.uncertain_charge_coulombs
            run.soak.since_s = now.at_s
            run.soak.is_known = False
        else:
            checkpoint, then = checkpoint_from_json(kept, limits_for(plan, settings.limits))
            away_s = time_away_s(then, now)
            run = restored_run(
                run_id, plan, settings.limits, checkpoint, now_s=now.at_s, away_s=away_s
            )
            if not checkpoint.is_soak_known:
                then = None  # an unknown earlier time stays unknown, even when the clock is set
        refuse_unseen_current(run.limits.max_current_a, self._sensor_range_a)
        if record.readings:
            run.relearn(readings_that_stand(record.readings))
        return _Restored(run, then, now, away_s, kept is None)

    def _settings_of(self, record: RunRecord) -> Settings:
        """Return the settings with the limits at the start of the run, if they can be read."""
        try:
            limits = LimitSettings.model_validate(record.settings["limits"])
        except (KeyError, ValidationError):
            return self._settings
        return self._settings.model_copy(update={"limits": limits})

    def _plan_of(self, record: RunRecord, settings: Settings) -> RunPlan:
        """Return the plan at the start of the run. One from an older version is computed again."""
        if "metal_as_planned" in record.plan:
            return plan_from_logbook(
                record.plan,
                sure_a=sure_current_a(self._sensor_range_a),
                drivable_a=drivable_current_a(settings),
            )
        request = request_from_json(record.plan["request"])
        metal = planned_metal(request.metal, settings)
        learner = learner_from_json(record.plan["believed"], metal)
        return make_plan(request, settings, self._sensor_range_a, Knowledge(learner))

    def _ask_the_clock_again(self, restored: _Restored) -> None:
        """Count an unknown time away once the network has set the clock."""
        then, soak = restored.then, restored.run.soak
        if then is None or restored.away_s is not None or soak.is_known or not then.is_utc_set:
            return
        if self._supervisor.run is not restored.run or not self._clock.is_utc_set():
            return
        now = moment_of(self._clock)
        away_s = time_away_s(then, now)
        self._restored = None
        if away_s is None:
            return
        away_s = max(0.0, away_s - (now.at_s - restored.now.at_s))
        soak.total_s += away_s
        soak.is_known = True
        if self._supervisor.state is RunState.INTERRUPTED:
            known = Message("run.restored.clock_set", {"ended": self._ended, "away_s": away_s})
            self._supervisor.replace_message(known)
        else:
            self._supervisor.note(Message("run.restored.clock_set_note", {"away_s": away_s}))


def _message(restored: _Restored, ended: Value) -> Message:
    """Return what happened to the run, and how long the plate was in the acid.

    :param ended: how the run ended, as a sentence.
    """
    soak, away_s = restored.run.soak, restored.away_s
    if restored.is_of_older_version:
        return Message("run.restored.older_version", {"ended": ended})
    if soak.since_s is None:
        key = "out_of_acid" if soak.is_known else "earlier_unknown"
        return Message(f"run.restored.{key}", {"ended": ended})
    if away_s is None:
        return Message("run.restored.away_unknown", {"ended": ended})
    key = "in_acid" if soak.is_known else "in_acid_earlier_unknown"
    return Message(f"run.restored.{key}", {"ended": ended, "away_s": away_s})
