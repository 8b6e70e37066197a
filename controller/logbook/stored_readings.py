"""Gauge readings and weighings as the file holds them."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from controller.errors import RefusedError
from controller.logbook.entries import ReadingKind, ReadingTaken
from controller.logbook.values import rows_of
from controller.physics.places import Place
from controller.physics.readings import GaugeReading, Reading, Weighing

_READINGS = """
SELECT d.id AS reading_id, r.id AS run_id, d.kind, d.at_utc, d.replaces, d.body
FROM readings d JOIN runs r ON r.number = d.run
"""


def readings_of_run(connection: sqlite3.Connection, run_id: str) -> tuple[ReadingTaken, ...]:
    """Return all readings of a run, oldest first, replaced and withdrawn ones too."""
    return _readings(connection, "WHERE r.id = ? ORDER BY d.number", run_id)


def readings_of_bath(connection: sqlite3.Connection, name: str) -> tuple[ReadingTaken, ...]:
    """Return all readings of the runs of a bath, oldest first, replaced ones too."""
    return _readings(connection, "WHERE r.bath = ? ORDER BY d.number", name)


def standing(readings: Sequence[ReadingTaken]) -> tuple[ReadingTaken, ...]:
    """Return the valid readings: neither withdrawn nor replaced by a correction."""
    replaced = {reading.replaces for reading in readings if reading.replaces is not None}
    return tuple(
        r for r in readings if r.reading_id not in replaced and r.kind is not ReadingKind.WITHDRAWN
    )


def readings_that_stand(readings: Sequence[ReadingTaken]) -> tuple[Reading, ...]:
    """Return the valid ones among the readings of a run, oldest first."""
    return tuple(reading_of(taken.kind, taken.body) for taken in standing(readings))


def kind_of(reading: Reading) -> ReadingKind:
    """Return the kind of a reading."""
    return ReadingKind.GAUGE if isinstance(reading, GaugeReading) else ReadingKind.WEIGHING


def body_of(reading: Reading) -> dict[str, Any]:
    """Return the JSON values under which a reading is kept, units in the keys."""
    body = asdict(reading)
    if isinstance(reading, GaugeReading):
        body["spots_mm"] = list(reading.spots_mm)
    # Without these, a reading is kept as it was before there were places.
    for name in ("at", "ratios", "person", "gauge", "acid_s"):
        if name in body and body[name] is None:
            del body[name]
    return body


def reading_of(kind: ReadingKind, body: Mapping[str, Any]) -> Reading:
    """Return the reading in a body. Raises: RefusedError for other values."""
    try:
        if kind is ReadingKind.WEIGHING:
            return Weighing(**body)
        spots = tuple(float(spot) for spot in body["spots_mm"])
        at = body.get("at")
        place = None if at is None else Place(**{**at, "ratios": _numbers(at["ratios"])})
        ratios = body.get("ratios")
        known = {"spots_mm": spots, "at": place, "ratios": ratios and _numbers(ratios)}
        return GaugeReading(**{**body, **known})
    except (TypeError, KeyError, ValueError) as error:
        raise RefusedError(
            "logbook.refused.not_a_reading", field="reading", kind=kind.value, problem=str(error)
        ) from error


def _numbers(values: Sequence[Any]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _readings(connection: sqlite3.Connection, where: str, value: str) -> tuple[ReadingTaken, ...]:
    return tuple(
        ReadingTaken(
            reading_id=row["reading_id"],
            run_id=row["run_id"],
            kind=ReadingKind(row["kind"]),
            at_utc=datetime.fromisoformat(row["at_utc"]),
            replaces=row["replaces"],
            body=json.loads(row["body"]),
        )
        for row in rows_of(connection, _READINGS + where, (value,))
    )
