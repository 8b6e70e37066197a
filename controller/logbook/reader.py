"""Reads the logbook, from any thread.

Each question has its own read-only connection and reads little, so the writer never waits.
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
from controller.logbook.entries import Progress, RawSample
from controller.logbook.records import (
    CurvePoint,
    MeanSample,
    RunPage,
    RunRecord,
    RunSummary,
    StoredEvent,
)
from controller.logbook.schema import MIGRATIONS, identify
from controller.logbook.stored_readings import readings_of_run
from controller.logbook.values import plain_text
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
    """The queue of the logbook is full, because the disk does not take what waits in it."""


_SUMMARIES = """
SELECT r.id, r.number, r.piece, r.metal, r.bath, r.started_at_utc, p.ended_at_utc, p.state, p.reason, p.message,
    r.target_depth_mm, r.planned_current_a, b.boot_id,
    p.at_s, p.elapsed_s, p.on_time_s, p.charge_coulombs, p.uncertain_charge_coulombs, p.current_a,
    p.depth_mm, p.depth_low_mm, p.depth_high_mm
FROM runs r JOIN progress p ON p.run = r.number JOIN boots b ON b.number = p.boot
"""

_PAPERS = """
SELECT plan.body, settings.body FROM runs r
JOIN papers plan ON plan.number = r.plan JOIN papers settings ON settings.number = r.settings
WHERE r.number = ?
"""

_KEPT = "SELECT body FROM checkpoints WHERE run = ?"

_EVENTS = """
SELECT number, at_utc, on_time_s, kind, text, data FROM events
WHERE run IS (SELECT number FROM runs WHERE id = ?) AND number > ? ORDER BY number LIMIT ?
"""

_MEANS = """
SELECT elapsed_s, on_time_s, current_a, voltage_v, charge_coulombs, depth_mm, bath_degc FROM samples
WHERE run = (SELECT number FROM runs WHERE id = ?) AND elapsed_s > ? ORDER BY elapsed_s LIMIT ?
"""

_CURVE = """
SELECT min(elapsed_s), max(on_time_s), avg(current_a), min(current_a), max(current_a),
    avg(voltage_v), min(voltage_v), max(voltage_v), max(charge_coulombs),
    min(depth_mm), max(depth_mm), min(bath_degc), max(bath_degc)
FROM (SELECT *, ntile(?) OVER (ORDER BY elapsed_s) AS part FROM samples
    WHERE run = (SELECT number FROM runs WHERE id = ?))
GROUP BY part ORDER BY part
"""

_RAWS = """
SELECT elapsed_us, current_ua / 1e6, voltage_uv / 1e6, saturated, averaged FROM raws
WHERE run = (SELECT number FROM runs WHERE id = ?) AND elapsed_us > ? ORDER BY elapsed_us LIMIT ?
"""


_PAST_THE_NEWEST = 2**62


def _summary(row: tuple[Any, ...]) -> RunSummary:
    return RunSummary(
        run_id=row[0],
        number=row[1],
        piece=row[2],
        metal=row[3],
        bath=row[4],
        started_at_utc=row[5],
        ended_at_utc=row[6],
        state=RunState(row[7]),
        reason=None if row[8] is None else TripReason(row[8]),
        message=row[9],
        target_depth_mm=row[10],
        planned_current_a=row[11],
        boot_id=row[12],
        progress=Progress(*row[13:22]),
    )


def unfinished_runs(connection: sqlite3.Connection) -> list[RunSummary]:
    """Return the runs that have not ended, newest first."""
    rows = connection.execute(_SUMMARIES + "WHERE p.ended_at_utc IS NULL ORDER BY r.number DESC")
    return [_summary(row) for row in rows]


def read_record(connection: sqlite3.Connection, summary: RunSummary) -> RunRecord:
    """Return the run with its papers."""
    plan, settings = connection.execute(_PAPERS, (summary.number,)).fetchone()
    kept = connection.execute(_KEPT, (summary.number,)).fetchone()
    return RunRecord(
        summary=summary,
        plan=json.loads(plan),
        settings=json.loads(settings),
        readings=readings_of_run(connection, summary.run_id),
        kept=None if kept is None else json.loads(kept[0]),
    )


class LogbookReader:
    """Reads the logbook at ``path``, also while it is being written. Safe from any thread.

    Each question opens its own connection, because the file may be renamed and a new one begun
    between two questions. Every method raises LogbookUnreadableError without a readable file,
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
            _SUMMARIES
            + "WHERE r.number < ?"
            + " AND instr(r.search_text || ' ' || p.state, ?)" * len(words)
        )
        with self.connected() as connection:
            start = _PAST_THE_NEWEST if before is None else _number(connection, before)
            rows = connection.execute(
                query + " ORDER BY r.number DESC LIMIT ?", (start, *words, limit + 1)
            ).fetchall()
        runs = tuple(_summary(row) for row in rows[:limit])
        return RunPage(runs, runs[-1].run_id if len(rows) > limit else None)

    def run(self, run_id: str) -> RunRecord:
        """Return one run with its plan and settings."""
        with self.connected() as connection:
            number = _number(connection, run_id)
            return read_record(
                connection,
                _summary(
                    connection.execute(_SUMMARIES + "WHERE r.number = ?", (number,)).fetchone()
                ),
            )

    def events(
        self, run_id: str | None, after: int = 0, limit: int = 1000
    ) -> tuple[StoredEvent, ...]:
        """Return up to ``limit`` events after number ``after``, oldest first; None: of the rig."""
        with self.connected() as connection:
            if run_id is not None:
                _number(connection, run_id)
            rows = connection.execute(_EVENTS, (run_id, after, limit)).fetchall()
        return tuple(
            StoredEvent(
                number, at_utc, on_time_s, kind, text, None if data is None else json.loads(data)
            )
            for number, at_utc, on_time_s, kind, text, data in rows
        )

    def samples(
        self, run_id: str, chunk_rows: int = CHUNK_ROWS
    ) -> Iterator[tuple[MeanSample, ...]]:
        """Return the 1 s means of the run in chunks, oldest first, each read when it is needed."""
        return (
            tuple(MeanSample(*row) for row in rows)
            for rows in self._chunks(_MEANS, run_id, chunk_rows)
        )

    def raw_samples(
        self, run_id: str, chunk_rows: int = CHUNK_ROWS
    ) -> Iterator[tuple[RawSample, ...]]:
        """Return the raw samples around trips of the run in chunks, oldest first."""
        return (
            tuple(
                RawSample(row[0] / 1e6, row[1], row[2], bool(row[3]), bool(row[4])) for row in rows
            )
            for rows in self._chunks(_RAWS, run_id, chunk_rows)
        )

    def curve(self, run_id: str, points: int) -> tuple[CurvePoint, ...]:
        """Return the run as at most ``points`` (>= 1) points of equal length, extremes kept."""
        if points < 1:
            raise RefusedError("logbook.refused.points", field="points", points=points)
        with self.connected() as connection:
            _number(connection, run_id)
            rows = connection.execute(_CURVE, (points, run_id)).fetchall()
        return tuple(CurvePoint(*row) for row in rows)

    def size_bytes(self) -> int:
        """Return the size of the logbook on the disk, its log included, damaged files left out."""
        sizes = [
            _size_bytes(self._path.with_name(self._path.name + companion))
            for companion in ("", "-wal", "-shm")
        ]
        return sum(sizes)

    def _chunks(self, query: str, run_id: str, chunk_rows: int) -> Iterator[list[tuple[Any, ...]]]:
        with self.connected() as connection:
            _number(connection, run_id)

        def read() -> Iterator[list[tuple[Any, ...]]]:
            last = -math.inf
            while True:
                with self.connected() as connection:
                    rows = connection.execute(query, (run_id, last, chunk_rows)).fetchall()
                if not rows:
                    return
                yield rows
                last = rows[-1][0]

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
