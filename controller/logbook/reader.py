"""Reads the logbook, from any thread.

Each query opens a read-only connection and reads little, so the writer never waits.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from controller.errors import BiteclockError, RefusedError
from controller.figures import MeanSample
from controller.logbook import statements
from controller.logbook.entries import Progress, RawSample
from controller.logbook.records import (
    CurvePoint,
    RunPage,
    RunRecord,
    RunSummary,
    StoredEvent,
)
from controller.logbook.schema import MIGRATIONS, identify
from controller.logbook.stored_readings import readings_of_run
from controller.logbook.values import plain_text, rows_of
from controller.messages import RunState, TripReason

__all__ = [
    "CurvePoint",
    "LogbookFullError",
    "LogbookReader",
    "LogbookUnreadableError",
    "MeanSample",
    "RunPage",
    "RunRecord",
    "RunSummary",
    "StoredEvent",
    "UnknownRunError",
]

CHUNK_ROWS = 500
"""Rows per read of a long export: about 10 ms of a slow core. No read holds the file longer."""


class UnknownRunError(RefusedError, LookupError):
    """The logbook has no such run."""


class LogbookUnreadableError(BiteclockError, OSError):
    """The logbook cannot be read now. The message says what to do."""


class LogbookFullError(LogbookUnreadableError):
    """The queue of the logbook is full, because the disk does not accept its entries."""


_PAST_THE_NEWEST = 2**62


def _summary(row: dict[str, Any]) -> RunSummary:
    values = dict(row)
    values["progress"] = Progress(**{name: values.pop(name) for name in statements.PROGRESS})
    values["state"] = RunState(row["state"])
    values["reason"] = None if row["reason"] is None else TripReason(row["reason"])
    return RunSummary(**values)


def unfinished_runs(connection: sqlite3.Connection) -> list[RunSummary]:
    """Return the runs that have not ended, newest first."""
    rows = rows_of(
        connection,
        statements.SELECT_SUMMARIES + "WHERE p.ended_at_utc IS NULL ORDER BY r.number DESC",
    )
    return [_summary(row) for row in rows]


def read_record(connection: sqlite3.Connection, summary: RunSummary) -> RunRecord:
    """Return the run with its papers."""
    (papers,) = rows_of(connection, statements.SELECT_PAPERS, (summary.number,))
    kept = rows_of(connection, statements.SELECT_CHECKPOINT, (summary.number,))
    return RunRecord(
        summary=summary,
        plan=json.loads(papers["plan"]),
        settings=json.loads(papers["settings"]),
        readings=readings_of_run(connection, summary.run_id),
        kept=_checkpoint(kept[0]["body"]) if kept else None,
    )


def _checkpoint(body: str) -> dict[str, Any]:
    """Return a stored checkpoint. One that cannot be read is empty: the restorer refuses it."""
    try:
        values = json.loads(body)
    except ValueError:
        return {}
    return values if isinstance(values, dict) else {}


class LogbookReader:
    """Reads the logbook at ``path``, also while it is being written. Safe from any thread.

    Each query opens its own connection, because the file may be renamed and a new one begun
    between two queries. Every method raises LogbookUnreadableError without a readable file,
    RefusedError for a file of a newer version or of another program, and UnknownRunError for a run
    that is not in the file.
    """

    def __init__(self, path: Path, busy_timeout_s: float = 2.0) -> None:
        self._path = path
        self._busy_timeout_s = busy_timeout_s

    def list_runs(self, limit: int = 50, before: str | None = None, search: str = "") -> RunPage:
        """Return up to ``limit`` (>= 1) runs, newest first, all older than the run ``before``.

        :param search: words that must all occur in piece, metal, bath or state, in any case.
        """
        if limit < 1:
            raise RefusedError("logbook.refused.limit", field="limit", limit_runs=limit)
        words = plain_text(search).casefold().split()
        query = (
            statements.SELECT_SUMMARIES
            + "WHERE r.number < ?"
            + " AND instr(r.search_text || ' ' || p.state, ?)" * len(words)
        )
        with self.connected() as connection:
            start = _PAST_THE_NEWEST if before is None else _number(connection, before)
            rows = rows_of(
                connection,
                query + " ORDER BY r.number DESC LIMIT ?",
                (start, *words, limit + 1),
            )
        runs = tuple(_summary(row) for row in rows[:limit])
        return RunPage(runs, runs[-1].run_id if len(rows) > limit else None)

    def run(self, run_id: str) -> RunRecord:
        """Return one run with its plan and settings."""
        with self.connected() as connection:
            number = _number(connection, run_id)
            (row,) = rows_of(
                connection, statements.SELECT_SUMMARIES + "WHERE r.number = ?", (number,)
            )
            return read_record(connection, _summary(row))

    def events(
        self, run_id: str | None, after: int = 0, limit: int = 1000
    ) -> tuple[StoredEvent, ...]:
        """Return up to ``limit`` events after number ``after``, oldest first; None: of the rig."""
        with self.connected() as connection:
            if run_id is not None:
                _number(connection, run_id)
            rows = rows_of(connection, statements.SELECT_EVENTS, (run_id, after, limit))
        return tuple(
            StoredEvent(**{**row, "data": None if row["data"] is None else json.loads(row["data"])})
            for row in rows
        )

    def samples(
        self, run_id: str, chunk_rows: int = CHUNK_ROWS
    ) -> Iterator[tuple[MeanSample, ...]]:
        """Return the 1 s means of the run in chunks, oldest first, each read when it is needed."""
        return (
            tuple(MeanSample(**row) for row in rows)
            for rows in self._chunks(statements.SELECT_SECONDS, "elapsed_s", run_id, chunk_rows)
        )

    def raw_samples(
        self, run_id: str, chunk_rows: int = CHUNK_ROWS
    ) -> Iterator[tuple[RawSample, ...]]:
        """Return the raw samples around trips of the run in chunks, oldest first."""
        return (
            tuple(_raw_sample(row) for row in rows)
            for rows in self._chunks(statements.SELECT_RAWS, "elapsed_us", run_id, chunk_rows)
        )

    def curve(self, run_id: str, points: int) -> tuple[CurvePoint, ...]:
        """Return the run as at most ``points`` (>= 1) points of equal length, extremes kept."""
        if points < 1:
            raise RefusedError("logbook.refused.points", field="points", points=points)
        with self.connected() as connection:
            _number(connection, run_id)
            rows = rows_of(connection, statements.SELECT_CURVE, (points, run_id))
        return tuple(CurvePoint(**row) for row in rows)

    def size_bytes(self) -> int:
        """Return the size of the logbook on the disk, its log included, damaged files left out."""
        sizes = [
            _size_bytes(self._path.with_name(self._path.name + companion))
            for companion in ("", "-wal", "-shm")
        ]
        return sum(sizes)

    def _chunks(
        self, query: str, key: str, run_id: str, chunk_rows: int
    ) -> Iterator[list[dict[str, Any]]]:
        """Return the rows in chunks, each from after the newest ``key`` of the one before."""
        with self.connected() as connection:
            _number(connection, run_id)

        def read() -> Iterator[list[dict[str, Any]]]:
            last = -math.inf
            while True:
                with self.connected() as connection:
                    rows = rows_of(connection, query, (run_id, last, chunk_rows))
                if not rows:
                    return
                yield rows
                last = rows[-1][key]

        return read()

    @contextmanager
    def connected(self) -> Iterator[sqlite3.Connection]:
        """Yield a read-only connection to the file in its present version."""
        try:
            with closing(
                sqlite3.connect(
                    self._path.absolute().as_uri() + "?mode=ro",
                    uri=True,
                    timeout=self._busy_timeout_s,
                    isolation_level=None,
                )
            ) as connection:
                if identify(connection, self._path) < len(MIGRATIONS):
                    raise LogbookUnreadableError("logbook.file.not_migrated", file=self._path)
                yield connection
        except sqlite3.Error as error:
            raise LogbookUnreadableError(
                "logbook.file.unreadable", file=self._path, problem=str(error)
            ) from error


def _raw_sample(row: dict[str, Any]) -> RawSample:
    return RawSample(
        elapsed_s=row["elapsed_s"],
        current_a=row["current_a"],
        voltage_v=row["voltage_v"],
        saturated=bool(row["saturated"]),
        averaged=bool(row["averaged"]),
    )


def _number(connection: sqlite3.Connection, run_id: str) -> int:
    row = connection.execute(
        "SELECT number FROM runs WHERE id = ?", (plain_text(run_id),)
    ).fetchone()
    if row is None:
        raise UnknownRunError("logbook.refused.no_run", field="run_id", run=repr(run_id))
    return int(row[0])


def _size_bytes(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
