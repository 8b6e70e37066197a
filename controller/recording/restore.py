"""Brings back the run that a crash, a power cut or the service's end cut, with all it knew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from controller.config import LimitSettings, Settings
from controller.errors import RefusedError
from controller.logbook.logbook import Logbook
from controller.logbook.reader import RunRecord
from controller.logbook.stored_readings import readings_that_stand
from controller.messages import EventKind, RunState, Snapshot
from controller.planning.json_form import learner_from_json, plan_from_logbook, request_from_json
from controller.planning.plan import (
    Knowledge,
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
from controller.safety.run import ActiveRun, new_run, restored_run
from controller.safety.supervisor import Supervisor


@dataclass(frozen=True, slots=True)
class _Restored:
    """A run that is back.

    :param then: the moment of its checkpoint, or None when the time away will never be known.
    :param away_s: time since then, or None when it is not known.
    :param missing: what an older version did not write down, or None.
    """

    run: ActiveRun
    then: Moment | None
    now: Moment
    away_s: float | None
    missing: str | None


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
        self._message = ""
        self.message: str | None = None

    def not_ready(self) -> str | None:
        """Return why no run may start yet, or None."""
        if self._is_done:
            return None
        return (
            self._logbook.why_not_ready()
            or "the logbook is still being read: wait a moment and try again"
        )

    def follow(self, _snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Restore as soon as the logbook is ready."""
        if self._restored is not None:
            self._is_done = True  # and published: nobody sees a bench that is ready and idle before
            self._ask_the_clock_again(self._restored)
        if (
            self._is_done
            or not self._logbook.is_ready()
            or self._supervisor.state is not RunState.IDLE
        ):
            return  # a trip at start, a welded relay say, is acknowledged first
        record = self._logbook.interrupted
        if record is None:
            self._is_done = True
            return
        run_id = record.summary.run_id
        try:
            restored = self._restore(record)
        except (RefusedError, KeyError, TypeError, ValueError) as error:
            self.message = f"run {run_id} cannot be resumed: {error}"
            self._supervisor.note(self.message, EventKind.WARNING)
            self._is_done = True
            return
        self._restored = restored
        self._message = _sentences(record.summary.message or "Interrupted.", restored.missing)
        self._supervisor.restore(restored.run, _sentences(self._message, _away_text(restored)))
        self._recorder.took_over(run_id, restored.now.at_s, record.summary.progress)

    def _restore(self, record: RunRecord) -> _Restored:
        """Return the run of a record. Raises: RefusedError, KeyError, TypeError, ValueError."""
        run_id, kept = record.summary.run_id, record.kept
        settings = self._settings_of(record)
        plan = self._plan_of(record, settings)
        now, then, away_s, missing = moment_of(self._clock), None, None, None
        if kept is None:
            run = new_run(run_id, plan, settings.limits)
            progress = record.summary.progress
            run.on_time_s = progress.on_time_s
            run.counter.charge_coulombs = progress.charge_coulombs
            run.counter.uncertain_coulombs = progress.uncertain_charge_coulombs
            run.soak.since_s = now.at_s
            run.soak.is_known = False
            missing = OLDER_VERSION
        else:
            checkpoint, then = checkpoint_from_json(kept, limits_for(plan, settings.limits))
            away_s = time_away_s(then, now)
            run = restored_run(
                run_id, plan, settings.limits, checkpoint, now_s=now.at_s, away_s=away_s
            )
            if not checkpoint.is_soak_known:
                then = None  # what is not known from before stays so, whatever the clock says later
        refuse_unseen_current(run.limits.max_current_a, self._sensor_range_a)
        if record.readings:
            run.relearn(readings_that_stand(record.readings))
        return _Restored(run, then, now, away_s, missing)

    def _settings_of(self, record: RunRecord) -> Settings:
        """Return the settings with the limits of the run's start, where they can still be read."""
        try:
            limits = LimitSettings.model_validate(record.settings["limits"])
        except (KeyError, ValidationError):
            return self._settings
        return self._settings.model_copy(update={"limits": limits})

    def _plan_of(self, record: RunRecord, settings: Settings) -> RunPlan:
        """Return the plan of the run's start; one of an older version is made again."""
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
        """Count the time away once the network has set the clock, if it was not known before."""
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
        text = f"The clock is set now: {_counted_text(away_s)}"
        if self._supervisor.state is RunState.INTERRUPTED:
            self._supervisor.say(_sentences(self._message, text))
        else:
            self._supervisor.note(text)


OLDER_VERSION = (
    "An older version of biteclock wrote this run down: ceilings that were raised, the answer to "
    "the first look and earlier time in the acid are not known."
)

AWAY_UNKNOWN = (
    "How long the plate was in the acid meanwhile is not known, and the upper bound leaves that "
    "time out. Was the plate lifted? If not, gauge it before you resume."
)

EARLIER_UNKNOWN = "An earlier time in the acid is not known: gauge the plate before you resume."


def _away_text(restored: _Restored) -> str | None:
    """Return what a person must know of the time in the acid, None when the plate was out."""
    soak = restored.run.soak
    if soak.since_s is None:
        return None if soak.is_known else EARLIER_UNKNOWN
    if restored.away_s is None:
        return AWAY_UNKNOWN
    counted = _counted_text(restored.away_s)
    return counted if soak.is_known else _sentences(counted, EARLIER_UNKNOWN)


def _counted_text(away_s: float) -> str:
    return (
        f"the {away_s:.0f} s since it was last written down count as time in the acid "
        "without current and widen the upper bound."
    )


def _sentences(*texts: str | None) -> str:
    """Return the texts one after the other, each with a capital letter and a full stop."""
    return " ".join(
        text[0].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")
        for text in texts
        if text
    )
