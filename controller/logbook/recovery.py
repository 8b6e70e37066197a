"""What becomes of a run that an earlier process left unfinished."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace

from controller.logbook.entries import Entry, Progress, StateChanged
from controller.logbook.reader import RunRecord, RunSummary, read_record, unfinished_runs
from controller.messages import Event, EventKind, RunState
from controller.ports import Clock

UNCERTAIN_S = 2.0
"""Time whose charge may be missing after a crash, s: 1 s between checkpoints and 1 s for the newest one to reach the disk."""

_UNCERTAIN = "uncertain_charge_coulombs"


@dataclass(frozen=True, slots=True)
class Recovery:
    """What to write at start, and the run that a person may resume."""

    entries: tuple[Entry, ...]
    interrupted: RunRecord | None


def recover(
    connection: sqlite3.Connection, clock: Clock, *, has_newer_run: bool = False
) -> Recovery:
    """Return what follows from the runs that have not ended.

    :param has_newer_run: a newer run than those in the file has been begun, so none of them can be resumed.

    The newest run becomes ``interrupted`` with the charge of its last checkpoint and can be resumed or stopped; any older
    one is stopped. A run that was left ``running`` gets an uncertain charge of UNCERTAIN_S times the larger of its last and
    its planned current: the supply may just have been turned up. The missing charge lies between 0 and that as long as the
    relay dropped together with the process and the logbook did not complain before; while it cannot be written, charge is
    missing from the time on that its health named then. ``checking``, ``paused`` and ``interrupted`` have the relay off and
    add nothing: a change to ``running`` is written at once, within a few ms here.
    """
    newest = connection.execute("SELECT max(number) FROM runs").fetchone()[0]
    entries: list[Entry] = []
    interrupted: RunRecord | None = None
    for run in unfinished_runs(connection):
        is_resumable = run.number == newest and not has_newer_run
        record = read_record(connection, run)
        if is_resumable and run.state is RunState.INTERRUPTED:
            interrupted = replace(record, summary=replace(run, message=_message(run, run.progress)))
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
    """Return the run's new state. Its checkpoint keeps the earlier process's moment."""
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
    if kept is not None and _UNCERTAIN in kept:  # else the restorer says what is wrong with it
        kept = {**kept, _UNCERTAIN: kept[_UNCERTAIN] + missing_coulombs}
    message = _message(run, progress)
    if state is RunState.STOPPED:
        message += "; a newer run was begun, so this one cannot be resumed"
    return StateChanged(run.run_id, state, clock.utc_now(), progress, None, message, kept)


def _message(run: RunSummary, progress: Progress) -> str:
    return (
        f"the controller ended while the run was {run.state}: {progress.charge_coulombs:.1f} C are counted, "
        f"up to {progress.uncertain_charge_coulombs:.1f} C may be missing"
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
