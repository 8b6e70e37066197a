"""Brings back the run that a crash, a power cut or the end of the service interrupted: off, with its charge."""

from __future__ import annotations

from collections.abc import Sequence

from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.logbook import Logbook
from controller.logbook.reader import RunRecord
from controller.logbook.stored_readings import readings_that_stand
from controller.messages import EventKind, RunState, Snapshot
from controller.planning.json_form import learner_from_json, request_from_json
from controller.planning.plan import Knowledge, make_plan, planned_metal
from controller.ports import Clock
from controller.recording.recorder import RunRecorder
from controller.safety.outbox import OutboxItem
from controller.safety.run import ActiveRun, new_run
from controller.safety.supervisor import Supervisor


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
        self._is_done = self._is_restored = False
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
        if self._is_restored:
            self._is_done = True  # and published: nobody sees a bench that is ready and idle before
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
        try:
            run = self._run_of(record)
        except (RefusedError, KeyError, TypeError, ValueError) as error:
            self.message = f"run {record.summary.run_id} cannot be resumed: {error}"
            self._supervisor.note(self.message, EventKind.WARNING)
            self._is_done = True
            return
        self._is_restored = True
        self._supervisor.restore(run, record.summary.message or "Interrupted. Resume or stop.")
        self._recorder.took_over(run.run_id, self._clock.monotonic_s(), record.summary.progress)

    def _run_of(self, record: RunRecord) -> ActiveRun:
        request = request_from_json(record.plan["request"])
        learner = learner_from_json(
            record.plan["believed"], planned_metal(request.metal, self._settings)
        )
        plan = make_plan(request, self._settings, self._sensor_range_a, Knowledge(learner))
        run = new_run(record.summary.run_id, plan, self._settings.limits)
        progress = record.summary.progress
        run.on_time_s = progress.on_time_s
        run.counter.charge_coulombs = progress.charge_coulombs
        run.counter.uncertain_coulombs = progress.uncertain_charge_coulombs
        run.relearn(readings_that_stand(record.readings))
        run.soak.begin(self._clock.monotonic_s())
        return run
