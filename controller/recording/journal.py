"""Carries what the supervisor tells into the logbook. A follower of the loop: nobody waits for it, it can only fail itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.config import Settings
from controller.logbook.entries import Entry, RunBegan
from controller.logbook.logbook import Logbook
from controller.messages import Event, EventKind, Snapshot
from controller.planning.json_form import plan_to_json
from controller.ports import Clock
from controller.recording.recorder import RunRecorder
from controller.safety.outbox import Began, Changed, Counted, News, Noted, Seen
from controller.texts import Message


class Journal:
    """Writes the news of each pass into the logbook."""

    def __init__(
        self, recorder: RunRecorder, logbook: Logbook, clock: Clock, settings: Settings
    ) -> None:
        self._recorder = recorder
        self._logbook = logbook
        self._clock = clock
        self._settings = settings.model_dump(mode="json")

    def follow(self, snapshot: Snapshot, news: Sequence[News]) -> None:
        """Put the entries that the news make. The state goes last, with the snapshot's figures."""
        for item in news:
            for entry in self._entries(item):
                self._logbook.put(entry)
        if any(isinstance(item, Changed) for item in news):
            for entry in self._recorder.state(snapshot):
                self._logbook.put(entry)

    def _entries(self, item: News) -> tuple[Entry, ...]:
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
            return self._recorder.event(self._event(item, EventKind.STATE, _of_change(item)))
        return self._recorder.event(self._event(item, EventKind.WARNING, item.message))

    def _event(self, item: Changed | Noted, kind: EventKind, message: Message) -> Event:
        """Return the event: the sentence for a person, key and values for a program."""
        totals = item.totals if isinstance(item, Changed) else None
        data: dict[str, Any] = {} if item.message is None else {"message": item.message.to_json()}
        on_time_s = 0.0
        if totals is not None:
            on_time_s = totals.on_time_s
            data["charge_coulombs"] = totals.charge_coulombs
            data["depth_mm"] = totals.depth.best_mm
        return Event(
            item.run_id,
            item.at_s,
            self._clock.utc_now(),
            kind,
            str(message),
            on_time_s,
            data or None,
        )

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


def _of_change(item: Changed) -> Message:
    message = item.message or (item.finding.message if item.finding else None)
    states = {"was": item.was.value, "state": item.state.value}
    if message is None:
        return Message("supervisor.state.changed_only", states)
    return Message("supervisor.state.changed", {**states, "message": message})
