"""Long tables as JSON or CSV in small chunks, each read when the client has taken the last one."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
from dataclasses import fields
from typing import Any, Literal

from starlette.responses import StreamingResponse

from api.http import csv_export
from api.http.context import Lane

Format = Literal["json", "csv"]

_JSON = "application/json"


def json_pieces(run_id: str, key: str, chunks: Iterable[Sequence[Any]]) -> Iterator[str]:
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


def table_response(
    lane: Lane,
    kind: Format,
    run_id: str,
    key: str,
    chunks: Iterable[Sequence[Any]],
    row_type: type[Any],
) -> StreamingResponse:
    """Return the table of a run as a stream.

    An error in the middle closes the connection, so that nobody takes half a table for a whole one.

    :param lane: makes each piece.
    :param key: name of the rows, in JSON and in the name of the file.
    """
    if kind == "csv":
        name = "".join(
            sign for sign in run_id if sign.isascii() and (sign.isalnum() or sign == "-")
        )
        headers = {"Content-Disposition": f'attachment; filename="biteclock-{name}-{key}.csv"'}
        return StreamingResponse(
            _made_in(lane, csv_export.csv_lines(chunks, row_type)),
            headers=headers,
            media_type=csv_export.MEDIA_TYPE,
        )
    return StreamingResponse(_made_in(lane, json_pieces(run_id, key, chunks)), media_type=_JSON)


async def _made_in(lane: Lane, pieces: Iterator[str]) -> AsyncIterator[str]:
    while (piece := await lane.run(next, pieces, None)) is not None:
        yield piece
