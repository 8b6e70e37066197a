"""Recovers the runs that an earlier process left unfinished."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace

from controller.logbook.entries import Entry, Progress, StateChanged
from controller.logbook.reader import RunRecord, RunSummary, read_record, unfinished_runs
from controller.messages import Event, EventKind, RunState
from controller.ports import Clock
from controller.texts import text

UNCERTAIN_S = 2.0
"""Time whose charge may be missing after a crash, s: 1 s between checkpoints and 1 s to reach the
disk."""

_UNCERTAIN = "uncertain_charge_coulombs"


@dataclass(frozen=True, slots=True)
class Recovery:
    """The entries to write at start, and the run that a person may resume."""

    entries: tuple[Entry, ...]
    interrupted: RunRecord | None


def recover(
    connection: sqlite3.Connection, clock: Clock, *, has_newer_run: bool = False
) -> Recovery:
    """Return the entries and the interrupted run for the runs that have not ended.

    The newest run becomes ``interrupted``, with the charge of its last checkpoint, and can be
    resumed or stopped. Older ones are stopped.

    A run that was ``running`` gets an uncertain charge: UNCERTAIN_S times the larger of its last
    and its planned current, because the supply may just have been turned up. This bound holds if
    the relay dropped with the process and the logbook could be written until then. Otherwise the
    charge since the first failed write is missing. The other states have the relay off
    and add nothing: a change to ``running`` is written within a few ms.

    :param has_newer_run: a run newer than those in the file has begun; none can be resumed.
    """
    newest = connection.execute("SELECT max(number) FROM runs").fetchone()[0]
    entries: list[Entry] = []
    interrupted: RunRecord | None = None
    for run in unfinished_runs(connection):
        is_resumable = run.number == newest and not has_newer_run
        record = read_record(connection, run)
        if is_resumable and run.state is RunState.INTERRUPTED:
            message = _message(run, run.progress, "may_resume")
            interrupted = replace(record, summary=replace(run, message=message))
            continue
        change = _change(record, clock, RunState.INTERRUPTED if is_resumable else RunState.STOPPED)
        entries += [change, _event(run, change)]
        if is_resumable:
            after = replace(
                run,
                state=change.state,
                reason=None,
                message=change.message,
                progress=change.progress,
            )
            kept = None if change.kept is None else dict(change.kept)
            interrupted = replace(record, summary=after, kept=kept)
    return Recovery(tuple(entries), interrupted)


def _change(record: RunRecord, clock: Clock, state: RunState) -> StateChanged:
    """Return the run's new state. Its checkpoint keeps the moment of the earlier process."""
    run, kept = record.summary, record.kept
    progress = run.progress
    missing_coulombs = 0.0
    if run.state is RunState.RUNNING:
        missing_coulombs = max(run.planned_current_a, progress.current_a or 0.0) * UNCERTAIN_S
    progress = replace(
        progress,
        at_s=clock.monotonic_s(),
        uncertain_charge_coulombs=progress.uncertain_charge_coulombs + missing_coulombs,
        current_a=None,
    )
    uncertain = None if kept is None else kept.get(_UNCERTAIN)
    if kept is not None and isinstance(uncertain, int | float):  # else the restorer refuses it
        kept = {**kept, _UNCERTAIN: uncertain + missing_coulombs}
    message = _message(run, progress, "replaced" if state is RunState.STOPPED else "may_resume")
    return StateChanged(run.run_id, state, clock.utc_now(), progress, None, message, kept)


def _message(run: RunSummary, progress: Progress, case: str) -> str:
    return text(
        f"logbook.ended.{case}",
        state=run.state.value,
        charge_coulombs=progress.charge_coulombs,
        uncertain_coulombs=progress.uncertain_charge_coulombs,
    )


def _event(run: RunSummary, change: StateChanged) -> Event:
    progress = change.progress
    return Event(
        run.run_id,
        progress.at_s,
        change.at_utc,
        EventKind.STATE,
        change.message or "",
        progress.on_time_s,
        {
            "charge_coulombs": progress.charge_coulombs,
            "uncertain_charge_coulombs": progress.uncertain_charge_coulombs,
        },
    )
