"""Carries what the supervisor tells into the logbook. A follower of the loop: nobody waits for it, it can only fail itself."""

from __future__ import annotations

from collections.abc import Sequence

from controller.config import Settings
from controller.logbook.entries import Entry, RunBegan
from controller.logbook.logbook import Logbook
from controller.messages import Event, EventKind, Snapshot
from controller.planning.json_form import plan_to_json
from controller.ports import Clock
from controller.recording.recorder import RunRecorder
from controller.safety.advice import describe
from controller.safety.outbox import Began, Changed, Counted, OutboxItem, Seen


class Journal:
    """Writes the outbox of each pass into the logbook."""

    def __init__(
        self, recorder: RunRecorder, logbook: Logbook, clock: Clock, settings: Settings
    ) -> None:
        self._recorder = recorder
        self._logbook = logbook
        self._clock = clock
        self._settings = settings.model_dump(mode="json")

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Put the entries that the items make. The state goes last, with the snapshot's figures."""
        for item in outbox:
            for entry in self._entries(item):
                self._logbook.put(entry)
        if any(isinstance(item, Changed) for item in outbox):
            for entry in self._recorder.state(snapshot):
                self._logbook.put(entry)

    def _entries(self, item: OutboxItem) -> tuple[Entry, ...]:
        if isinstance(item, Began):
            return self._recorder.began(self._run_began(item))
        if isinstance(item, Counted):
            totals = item.totals
            return self._recorder.sample(
                totals.on_time_s,
                item.sample,
                totals.charge_coulombs,
                totals.depth.best_mm,
                item.bath_degc,
                depth_low_mm=totals.depth.low_mm,
                depth_high_mm=totals.depth.high_mm,
                uncertain_charge_coulombs=totals.uncertain_coulombs,
            )
        if isinstance(item, Seen):
            return self._recorder.seen(item.sample)
        if isinstance(item, Changed):
            return self._recorder.event(self._state_event(item))
        data = None if item.data is None else dict(item.data)
        at_utc = self._clock.utc_now()
        return self._recorder.event(
            Event(item.run_id, item.at_s, at_utc, item.kind, item.text, item.on_time_s, data)
        )

    def _state_event(self, item: Changed) -> Event:
        said = item.message or (describe(item.finding) if item.finding else "")
        text = f"{item.was.value} -> {item.state.value}. {said}"
        at_utc, totals = self._clock.utc_now(), item.totals
        if totals is None:
            return Event(item.run_id, item.at_s, at_utc, EventKind.STATE, text)
        data = {"charge_coulombs": totals.charge_coulombs, "depth_mm": totals.depth.best_mm}
        return Event(item.run_id, item.at_s, at_utc, EventKind.STATE, text, totals.on_time_s, data)

    def _run_began(self, item: Began) -> RunBegan:
        plan = item.plan
        return RunBegan(
            run_id=item.run_id,
            piece=plan.request.piece,
            metal=plan.metal.name,
            bath=plan.request.bath,
            started_at_utc=self._clock.utc_now(),
            at_s=item.at_s,
            target_depth_mm=plan.target_depth_mm,
            planned_current_a=plan.end_current_a,
            plan=plan_to_json(plan),
            settings=self._settings,
        )
