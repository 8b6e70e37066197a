"""Writes what happened into the logbook. A follower of the loop: nobody waits for it."""

from __future__ import annotations

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
from controller.safety.advice import describe
from controller.safety.checkpoint import RunCheckpoint, checkpoint_to_json, moment_of
from controller.safety.outbox import Began, Changed, Counted, Kept, Noted, OutboxItem, Seen


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
        """Put the entries that the items make. The state goes last, with the snapshot's figures."""
        kept: dict[str, Any] | None = None
        for item in outbox:
            if isinstance(item, Kept):
                kept = self._kept(item.checkpoint)
                continue
            for entry in self._entries(item):
                self._logbook.put(entry)
        last: tuple[Entry, ...] = ()
        if any(isinstance(item, Changed) for item in outbox):
            last = self._recorder.state(snapshot, kept)
        elif kept is not None:
            last = self._recorder.keep(snapshot, kept)
        for entry in last:
            self._logbook.put(entry)

    def _kept(self, checkpoint: RunCheckpoint) -> dict[str, Any]:
        """Return the checkpoint as JSON values, with its moment on all clocks."""
        now = moment_of(self._clock, self._boot_id)
        at_utc = now.at_utc - timedelta(seconds=now.at_s - checkpoint.at_s)
        return checkpoint_to_json(checkpoint, replace(now, at_s=checkpoint.at_s, at_utc=at_utc))

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
                kept=partial(self._kept, item.checkpoint),
            )
        if isinstance(item, Seen):
            return self._recorder.seen(item.sample)
        if isinstance(item, Changed):
            return self._recorder.event(self._state_event(item))
        if isinstance(item, Noted):
            data = None if item.data is None else dict(item.data)
            at_utc = self._clock.utc_now()
            return self._recorder.event(
                Event(item.run_id, item.at_s, at_utc, item.kind, item.text, item.on_time_s, data)
            )
        return ()

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
            plan=plan_for_logbook(plan),
            settings=self._settings,
        )
