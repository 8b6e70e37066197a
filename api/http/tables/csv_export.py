"""Tables as CSV (RFC 4180), in small pieces.

The header has units, numbers stay as they are, and no spreadsheet runs text that a user typed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from typing import Any

from controller.logbook.reader import MeanSample

MEDIA_TYPE = "text/csv; charset=utf-8; header=present"
"""Source: RFC 4180 section 3, RFC 7111."""

_RUN_BY_SPREADSHEETS = (
    "=",
    "+",
    "-",
    "@",
    "\t",
    "\r",
    "\n",
    "\uff1d",
    "\uff0b",
    "\uff0d",
    "\uff20",
)
"""First characters that make a spreadsheet read a cell as a formula, full-width ones included.

Source: OWASP, CSV injection (from memory).
"""

_ENDS_OF_CELLS = ',"\r\n;\t|'
"""Half of Europe's spreadsheets separate by semicolons: they must not find a cell within a cell."""

DIGITS = 10
"""Significant digits of a number: finer than what the logbook keeps."""


def csv_lines(chunks: Iterable[Sequence[Any]], row_type: type[Any] = MeanSample) -> Iterator[str]:
    """Return the table in pieces: first the header, then one piece for each chunk of rows.

    :param chunks: rows, instances of ``row_type``; each chunk is taken when its piece is asked for.
    :param row_type: a dataclass; its field names carry the units and make the header.
    """
    names = tuple(field.name for field in fields(row_type))
    yield _written([names])
    for chunk in chunks:
        yield _written([[cell(getattr(row, name)) for name in names] for row in chunk])


def cell(value: Any) -> str:
    """Return the text of a cell: empty for an unknown value, JSON for lists and tables."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.{DIGITS}g}"
    if isinstance(value, int):
        return str(value)
    text = value if isinstance(value, str) else json.dumps(value)
    return "'" + text if text.startswith(_RUN_BY_SPREADSHEETS) else text


def _written(rows: Iterable[Sequence[str]]) -> str:
    return "".join(",".join(map(_quoted, row)) + "\r\n" for row in rows)


def _quoted(text: str) -> str:
    """Return a cell, in quotes if RFC 4180 or a spreadsheet would see the end of the cell in it."""
    return (
        '"' + text.replace('"', '""') + '"'
        if any(sign in text for sign in _ENDS_OF_CELLS)
        else text
    )
