"""Reads baths: their descriptions, the charge of their runs, and the readings of their runs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from controller.logbook.entries import BathEvent, BathEventKind, BathSaved, ReadingTaken
from controller.logbook.reader import LogbookReader, RunRecord
from controller.logbook.stored_readings import readings_of_bath, readings_of_run
from controller.logbook.values import rows_of

_BATHS = """
SELECT name, metal, acid, volume_l, made_up_on, note, is_retired, saved_at_utc, water_parts,
    bottle_percent, usual_degc, attack_um_per_min, attack_sd_ln, attack_degc, attack_weighed_at_utc
FROM baths b
WHERE number = (SELECT max(number) FROM baths WHERE name = b.name) ORDER BY number DESC
"""

_CARRIED = """
SELECT count(*) AS runs, coalesce(sum(p.charge_coulombs), 0.0) AS charge_coulombs
FROM runs r JOIN progress p ON p.run = r.number WHERE r.bath = ?
"""

_HISTORY = """
SELECT r.id AS run_id, r.number, plan.body AS plan
FROM runs r JOIN papers plan ON plan.number = r.plan WHERE r.bath = ? ORDER BY r.number
"""

_EVENTS = """
SELECT id AS event_id, bath, kind, at_utc, after_run, body FROM bath_events
WHERE bath = ? ORDER BY number
"""

_DENSEST = """
SELECT max(json_extract(plan.body, '$.current_density_a_per_dm2')) AS densest_a_per_dm2
FROM runs r JOIN progress p ON p.run = r.number JOIN papers plan ON plan.number = r.plan
WHERE r.metal = ? AND p.state = 'finished'
"""


@dataclass(frozen=True, slots=True)
class PastBathRun:
    """A run of a bath and its plan as JSON values.

    :param number: of the run in the file.
    """

    run_id: str
    number: int
    plan: Mapping[str, Any]


class BathReader:
    """Reads baths, their runs and readings. Raises the same errors as LogbookReader."""

    def __init__(self, reader: LogbookReader) -> None:
        self._reader = reader

    def baths(self) -> tuple[BathSaved, ...]:
        """Return the newest description of every bath, newest bath first."""
        with self._reader.connected() as connection:
            rows = rows_of(connection, _BATHS)
        return tuple(_bath(row) for row in rows)

    def carried(self, name: str) -> tuple[int, float]:
        """Return the number of runs in a bath and their total charge, C."""
        with self._reader.connected() as connection:
            (row,) = rows_of(connection, _CARRIED, (name,))
        return int(row["runs"]), float(row["charge_coulombs"])

    def history(self, name: str) -> tuple[PastBathRun, ...]:
        """Return the runs of a bath, oldest first."""
        with self._reader.connected() as connection:
            rows = rows_of(connection, _HISTORY, (name,))
        return tuple(
            PastBathRun(row["run_id"], row["number"], json.loads(row["plan"])) for row in rows
        )

    def events(self, name: str) -> tuple[tuple[BathEvent, int], ...]:
        """Return the events of a bath, oldest first, each with the newest run at that time."""
        with self._reader.connected() as connection:
            rows = rows_of(connection, _EVENTS, (name,))
        return tuple((_event(row), int(row["after_run"])) for row in rows)

    def readings_of_bath(self, name: str) -> tuple[ReadingTaken, ...]:
        """Return all readings of the runs of a bath, oldest first, replaced ones too."""
        with self._reader.connected() as connection:
            return readings_of_bath(connection, name)

    def readings_of_run(self, run_id: str) -> tuple[ReadingTaken, ...]:
        """Return all readings of a run, oldest first, replaced ones too."""
        with self._reader.connected() as connection:
            return readings_of_run(connection, run_id)

    def run(self, run_id: str) -> RunRecord:
        """Return one run with its plan and settings."""
        return self._reader.run(run_id)

    def densest_finished_a_per_dm2(self, metal: str) -> float | None:
        """Return the highest current density of a finished run with a metal, A/dm2, or None."""
        with self._reader.connected() as connection:
            (row,) = rows_of(connection, _DENSEST, (metal,))
        densest_a_per_dm2 = row["densest_a_per_dm2"]
        return None if densest_a_per_dm2 is None else float(densest_a_per_dm2)


def _event(row: dict[str, Any]) -> BathEvent:
    return BathEvent(
        event_id=row["event_id"],
        bath=row["bath"],
        kind=BathEventKind(row["kind"]),
        at_utc=datetime.fromisoformat(row["at_utc"]),
        body=json.loads(row["body"]),
    )


def _bath(row: dict[str, Any]) -> BathSaved:
    values = dict(row)
    values["is_retired"] = bool(row["is_retired"])
    values["saved_at_utc"] = datetime.fromisoformat(row["saved_at_utc"])
    weighed_at_utc = row["attack_weighed_at_utc"]
    if weighed_at_utc is not None:
        values["attack_weighed_at_utc"] = datetime.fromisoformat(weighed_at_utc)
    return BathSaved(**values)
