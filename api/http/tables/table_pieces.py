"""The tables of a run as text, piece by piece. The calculator's process makes them.

Nothing here may import the web server, which that process must not load.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

from api.http.tables.csv_export import csv_lines
from controller.logbook.entries import RawSample
from controller.logbook.reader import CurvePoint, LogbookReader, MeanSample, StoredEvent

Format = Literal["json", "csv"]

EVENTS_AT_ONCE = 500

Chunks = Iterable[Sequence[Any]]


@dataclass(frozen=True, slots=True)
class Table:
    """One of the tables of a run.

    :param key: name of the rows in JSON.
    :param read: returns the rows in chunks. Raises: UnknownRunError, before the first chunk.
    """

    key: str
    row_type: type[Any]
    read: Callable[..., Chunks]


def _points(book: LogbookReader, run_id: str, points: int) -> Chunks:
    return (book.curve(run_id, points),)


def _samples(book: LogbookReader, run_id: str) -> Chunks:
    return book.samples(run_id)


def _raw_samples(book: LogbookReader, run_id: str) -> Chunks:
    return book.raw_samples(run_id)


def _events(book: LogbookReader, run_id: str, after: int) -> Chunks:
    first = book.events(run_id, after, EVENTS_AT_ONCE)

    def chunks() -> Iterator[Sequence[StoredEvent]]:
        chunk = first
        while chunk:
            yield chunk
            chunk = book.events(run_id, chunk[-1].number, EVENTS_AT_ONCE)

    return chunks()


POINTS = Table("points", CurvePoint, _points)
SAMPLES = Table("samples", MeanSample, _samples)
RAW_SAMPLES = Table("samples", RawSample, _raw_samples)
EVENTS = Table("events", StoredEvent, _events)


def table_pieces(
    table: Table, kind: Format, book: LogbookReader, run_id: str, *details: Any
) -> Iterator[str]:
    """Return a table as JSON or CSV in pieces, one for each chunk of rows.

    :param details: what else the table's ``read`` takes.
    Raises: UnknownRunError, LogbookUnreadableError, at once; the latter from the iterator too.
    """
    chunks = table.read(book, run_id, *details)
    if kind == "csv":
        return csv_lines(chunks, table.row_type)
    return json_pieces(run_id, table.key, chunks)


def json_pieces(run_id: str, key: str, chunks: Chunks) -> Iterator[str]:
    """Return ``{"run_id": ..., key: [rows]}`` in pieces, one for each chunk of dataclass rows."""
    yield f'{{"run_id":{json.dumps(run_id)},"{key}":['
    separator = ""
    for chunk in chunks:
        if chunk:
            names = tuple(field.name for field in fields(chunk[0]))
            rows = [
                json.dumps({name: getattr(row, name) for name in names}, allow_nan=False)
                for row in chunk
            ]
            yield separator + ",".join(rows)
            separator = ","
    yield "]}"
