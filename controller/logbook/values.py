"""Numbers, texts and times as the logbook file holds them.

What cannot be held raises ValueError or TypeError.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from controller.texts import text


def plain_text(given: str) -> str:
    """Return the text with question marks for lone surrogates, which UTF-8 cannot hold."""
    return given.encode(errors="replace").decode()


def utc_text(at_utc: datetime) -> str:
    """Return the ISO 8601 text of a timezone-aware time, in UTC with milliseconds."""
    if at_utc.tzinfo is None:
        raise ValueError(text("logbook.refused.no_timezone", time=at_utc.isoformat()))
    return at_utc.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def finite(value: float) -> float:
    """Return the number if it is one. SQLite would keep NaN as NULL."""
    if not math.isfinite(value):
        raise ValueError(text("logbook.refused.not_finite", value=value))
    return float(value)


def finite_or_none(value: float | None) -> float | None:
    """Return None or the number if it is one."""
    return None if value is None else finite(value)


def whole(value: float | None, parts: float) -> int | None:
    """Return None or the number of parts, rounded: 1.5 is 1500 parts of 1e3."""
    return None if value is None else round(value * parts)


def rows_of(
    connection: sqlite3.Connection, query: str, parameters: Sequence[Any] = ()
) -> list[dict[str, Any]]:
    """Return the rows of a query, their values by name."""
    cursor = connection.execute(query, parameters)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def json_text(values: Mapping[str, Any]) -> str:
    """Return the values as JSON, the same text for the same values."""
    return plain_text(
        json.dumps(
            values, allow_nan=False, ensure_ascii=False, separators=(",", ":"), sort_keys=True
        )
    )
