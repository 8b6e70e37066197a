"""CSV by RFC 4180, safe in a spreadsheet. Checked against the standard library's own reader."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, fields
from typing import Any

import pytest

from api.http.tables.csv_export import cell, csv_lines
from controller.logbook.reader import MeanSample, StoredEvent

ROWS = [
    MeanSample(second, second + 0.97, 3.0021, 2.5, 3.0 * second, None, 21.4) for second in range(5)
]

PUBLISHED = [
    "elapsed_s", "on_time_s", "current_a", "voltage_v", "charge_coulombs", "depth_mm", "bath_degc",
]  # fmt: skip
"""Columns that scripts rely on. New ones come after them."""


def test_header_has_units() -> None:
    """The header has the units, and every line ends in CRLF: RFC 4180 section 2, rules 1 to 4."""
    text = "".join(csv_lines([ROWS[:2], ROWS[2:]]))
    header = text.split("\r\n")[0].split(",")
    assert header == [column.name for column in fields(MeanSample)]
    assert header[:7] == PUBLISHED
    assert text.endswith("\r\n")
    assert text.count("\n") == text.count("\r\n") == 6
    assert {line.count(",") for line in text.split("\r\n")[:-1]} == {len(header) - 1}


def test_empty_table_has_header() -> None:
    """A table without rows still has its header."""
    (header,) = csv_lines([])
    assert header.endswith("\r\n")
    assert header.rstrip().split(",")[:7] == PUBLISHED


def test_numbers_survive() -> None:
    """Numbers come back as they were, and an unknown value is empty."""
    rows = list(csv.DictReader(io.StringIO("".join(csv_lines([ROWS])))))
    assert [float(row["current_a"]) for row in rows] == [3.0021] * 5
    assert [int(row["elapsed_s"]) for row in rows] == [0, 1, 2, 3, 4]
    assert {row["depth_mm"] for row in rows} == {""}


def test_chunks_are_lazy() -> None:
    """Each chunk becomes one piece, and is taken only when the piece is requested."""
    taken = []

    def chunks() -> Any:
        for row in ROWS:
            taken.append(row.elapsed_s)
            yield [row]

    pieces = csv_lines(chunks())
    next(pieces)
    assert taken == []
    next(pieces)
    assert taken == [0]


@pytest.mark.parametrize(
    "text",
    [
        "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=cmd|' /C calc'!A0", "\uff1d1",
        "=HYPERLINK(\"http://x\";\"y\")",
    ],
)  # fmt: skip
def test_user_text_never_runs(text: str) -> None:
    """First characters that spreadsheets evaluate: OWASP, CSV injection (from memory)."""
    event = StoredEvent(1, "2031-03-04T10:00:00+00:00", 0.0, "note", text, None)
    row = next(csv.DictReader(io.StringIO("".join(csv_lines([[event]], StoredEvent)), newline="")))
    assert row["text"] == "'" + text


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, ""), (True, "true"), (False, "false"), (-0.25, "-0.25"), (7, "7"),
        (0.1 + 0.2, "0.3"), (1e-7, "1e-07"),
        ("fern brooch", "fern brooch"), ("5 = 5", "5 = 5"), ("", ""),
    ],
)  # fmt: skip
def test_cell_texts(value: object, shown: str) -> None:
    """A negative number is a number: only text is guarded."""
    assert cell(value) == shown


def test_event_numbers_are_json() -> None:
    """The numbers of an event are JSON in one cell."""
    assert cell({"charge_coulombs": 1.5}) == '{"charge_coulombs": 1.5}'


def test_separators_survive() -> None:
    """Commas, quotes and line ends survive."""

    @dataclass
    class Row:
        text: str

    text = 'a "b", c\r\nd'
    assert list(csv.reader(io.StringIO("".join(csv_lines([[Row(text)]], Row)), newline=""))) == [
        ["text"],
        [text],
    ]
