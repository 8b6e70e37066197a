"""Writes events into the logbook, as a follower of the loop. It never waits for the disk."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import Any

from controller.config import Settings
from controller.logbook.entries import Entry, RunBegan
from controller.logbook.logbook import Logbook
from controller.messages import Event, EventKind, Snapshot
from controller.planning.json_form import plan_for_logbook
from controller.ports import Clock
from controller.recording.recorder import RunRecorder
from controller.safety.checkpoint import RunCheckpoint, checkpoint_to_json, moment_of
from controller.safety.outbox import Began, Changed, Counted, Kept, Noted, OutboxItem, Seen
from controller.texts import Message

_log = logging.getLogger("biteclock")


class Journal:
    """Writes the outbox of each pass into the logbook."""

    def __init__(
        self, recorder: RunRecorder, logbook: Logbook, clock: Clock, settings: Settings
    ) -> None:
        self._recorder = recorder
        self._logbook = logbook
        self._clock = clock
        self._settings = settings.model_dump(mode="json")
        self._boot_id = clock.boot_id()

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Put an entry for each item. The state comes last, with the snapshot's figures."""
        kept: dict[str, Any] | None = None
        for item in outbox:
            if isinstance(item, Kept):
                try:
                    kept = self._kept(item.checkpoint)
                except Exception:
                    self._lose()
                continue
            try:
                entries = self._entries(item)
            except Exception:
                self._lose()
                continue
            for entry in entries:
                self._logbook.put(entry)
        last: tuple[Entry, ...] = ()
        if any(isinstance(item, Changed) for item in outbox):
            last = self._recorder.state(snapshot, kept)
        elif kept is not None:
            last = self._recorder.keep(snapshot, kept)
        for entry in last:
            self._logbook.put(entry)

    def _lose(self) -> None:
        """Report an entry that could not be made. The others, the state above all, go on."""
        lost = Message("logbook.lost.not_made")
        _log.exception(lost)
        self._logbook.count_lost(1, lost)

    def _kept(self, checkpoint: RunCheckpoint) -> dict[str, Any]:
        """Return the checkpoint as JSON values, with its moment on all clocks."""
        now = moment_of(self._clock, self._boot_id)
        at_utc = now.at_utc - timedelta(seconds=now.at_s - checkpoint.at_s)
        return checkpoint_to_json(checkpoint, replace(now, at_s=checkpoint.at_s, at_utc=at_utc))

    def _entries(self, item: OutboxItem) -> tuple[Entry, ...]:
        if isinstance(item, Began):
            return self._recorder.began(self._run_began(item))
        if isinstance(item, Counted):
            return self._recorder.sample(
                item.sample,
                item.totals,
                item.bath_degc,
                kept=partial(self._kept, item.checkpoint),
            )
        if isinstance(item, Seen):
            return self._recorder.seen(item.sample)
        if isinstance(item, Changed):
            return self._recorder.event(self._state_event(item))
        if isinstance(item, Noted):
            return self._recorder.event(self._note_event(item))
        return ()

    def _note_event(self, item: Noted) -> Event:
        """Return the event, with a sentence for people and key and values for programs."""
        data = {"message": item.message.to_json(), **(item.data or {})}
        message = item.message
        if item.source is not None:
            data["source"] = item.source.to_json()
            message = item.source.named(message)
        at_utc, text = self._clock.utc_now(), str(message)
        return Event(item.run_id, item.at_s, at_utc, item.kind, text, item.on_time_s, data)

    def _state_event(self, item: Changed) -> Event:
        data: dict[str, Any] = {} if item.message is None else {"message": item.message.to_json()}
        on_time_s = 0.0
        if item.totals is not None:
            on_time_s = item.totals.on_time_s or 0.0
            data["charge_coulombs"] = item.totals.charge_coulombs
            data["depth_mm"] = item.totals.depth_mm
        at_utc, text = self._clock.utc_now(), str(_of_change(item))
        kind = EventKind.STATE
        return Event(item.run_id, item.at_s, at_utc, kind, text, on_time_s, data or None)

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
            plan=plan_for_logbook(plan),
            settings=self._settings,
        )


def _of_change(item: Changed) -> Message:
    message = item.message or (item.finding.message if item.finding else None)
    states = {"was": item.was.value, "state": item.state.value}
    if message is None:
        return Message("supervisor.state.changed_only", states)
    return Message("supervisor.state.changed", {**states, "message": message})
