"""Writes the rows of a notebook into the logbook, whole or not at all. No daemon may run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import RefusedError

if TYPE_CHECKING:
    from controller.planning.notebook.rows import NotebookRow

BUSY_S = 5.0
"""Longest wait for another program that writes to the file, s."""


def take_over(rows: Sequence[NotebookRow], bath: str, path: Path) -> int:
    """Make rows the past of a bath; return how many were new.

    :param path: the logbook.
    Raises: RefusedError when there is no such logbook or bath, when rows do not fit or are known,
        or when a daemon has the logbook.
    """
    from api.direct import machine_clock
    from controller.logbook.bath_reader import BathReader
    from controller.logbook.entries import BathEvent, BathEventKind
    from controller.logbook.reader import LogbookReader
    from controller.logbook.store import open_store
    from controller.planning.notebook.stored import (
        new_rows,
        notebook_id,
        notebook_to_json,
        rows_for,
        rows_of_notebook,
    )

    if not path.exists():
        raise RefusedError("command_line.learn.no_logbook", field="into", file=path)
    clock = machine_clock()
    store = open_store(
        path, clock.boot_id(), lambda: False, should_check=False, busy_timeout_s=BUSY_S
    )
    try:
        reader = BathReader(LogbookReader(path))
        found = next((known for known in reader.baths() if known.name == bath), None)
        if found is None:
            raise RefusedError("run.bath.unknown", field="into", bath=repr(bath))
        known = [
            row
            for event, _ in reader.events(bath)
            if event.kind is BathEventKind.NOTEBOOK
            for row in rows_of_notebook(event.body)
        ]
        left = new_rows(known, rows_for(bath, found.metal, rows))
        event = BathEvent(
            notebook_id(bath, [*known, *left]),
            bath,
            BathEventKind.NOTEBOOK,
            clock.utc_now(),
            notebook_to_json(left),
        )
        for note in store.write([event]):
            raise RefusedError("command_line.learn.not_written", field="file", problem=note)
    finally:
        store.close()
    return len(left)
