"""Long tables as JSON or CSV in small pieces, each made when the client has taken the last one."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator

from starlette.responses import StreamingResponse

from api.http.context import Lane
from api.http.tables import csv_export
from api.http.tables.table_pieces import Format

_JSON = "application/json"


def table_response(
    lane: Lane, kind: Format, run_id: str, key: str, pieces: Iterator[str]
) -> StreamingResponse:
    """Return the table of a run as a stream.

    An error in the middle closes the connection, so that nobody takes half a table for a whole one.

    :param lane: makes each piece.
    :param key: name of the rows, for the name of the file.
    """
    if kind == "csv":
        name = "".join(
            sign for sign in run_id if sign.isascii() and (sign.isalnum() or sign == "-")
        )
        headers = {"Content-Disposition": f'attachment; filename="biteclock-{name}-{key}.csv"'}
        return StreamingResponse(
            _made_in(lane, pieces), headers=headers, media_type=csv_export.MEDIA_TYPE
        )
    return StreamingResponse(_made_in(lane, pieces), media_type=_JSON)


async def _made_in(lane: Lane, pieces: Iterator[str]) -> AsyncIterator[str]:
    while (piece := await lane.run(next, pieces, None)) is not None:
        yield piece
