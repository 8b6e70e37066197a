"""A notebook as a table: separators, header, lines. Refuses what it does not understand."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from controller.errors import RefusedError
from controller.planning.notebook.rows import NotebookRow, row_of

COLUMNS = (
    "bath",
    "metal",
    "date",
    "area_cm2",
    "edge_mm",
    "charge_coulombs",
    "current_a",
    "minutes",
    "depth_mm",
    "lost_g",
    "fresh_acid",
)
MAX_ROWS = 5000


@dataclass(frozen=True, slots=True)
class Notebook:
    """The rows of a notebook, in the file's order.

    :param ignored_columns: columns of the file that mean nothing here.
    """

    rows: tuple[NotebookRow, ...]
    ignored_columns: tuple[str, ...]


def read_notebook(lines: Iterable[str]) -> Notebook:
    """Return the rows in the lines of a file. Nothing is returned when one row is wrong.

    Lines that are empty, hold only separators or begin with # are left out.
    Raises: RefusedError.
    """
    separator = ""
    header: list[str] = []
    rows: list[NotebookRow] = []
    for number, line in enumerate(lines, start=1):
        if "\0" in line:
            raise RefusedError("notebook.table.zero_byte", field="file", line=number)
        plain = line.strip().lstrip("\ufeff")
        if not plain.strip(",;\t ") or plain.startswith("#"):
            continue
        if not header:
            separator = next((mark for mark in "\t;," if mark in plain), ",")
            header = _header_of(_split(plain, separator), number)
            continue
        cells = _split(line.rstrip("\r\n"), separator)
        if len(cells) != len(header):
            key = "width_comma" if separator == "," and len(cells) > len(header) else "width"
            raise RefusedError(
                f"notebook.table.{key}",
                field="file",
                line=number,
                columns=len(cells),
                header_columns=len(header),
            )
        if len(rows) >= MAX_ROWS:
            raise RefusedError(
                "notebook.table.too_long", field="file", line=number, limit_rows=MAX_ROWS
            )
        rows.append(row_of(dict(zip(header, cells, strict=True)), number))
    if not rows:
        raise RefusedError("notebook.table.empty", field="file")
    _refuse_two_metals(rows)
    return Notebook(tuple(rows), tuple(name for name in header if name and name not in COLUMNS))


def _split(line: str, separator: str) -> list[str]:
    return next(csv.reader([line], delimiter=separator))


def _header_of(cells: list[str], line: int) -> list[str]:
    """Return the names of the columns, in lower case. Raises: RefusedError."""
    header = [cell.strip().lower() for cell in cells]
    for name in COLUMNS:
        if header.count(name) > 1:
            raise RefusedError("notebook.table.column_twice", field="file", line=line, column=name)
    for name in header:
        near = get_close_matches(name, COLUMNS, cutoff=0.8)
        if name not in COLUMNS and near and near[0] not in header:
            raise RefusedError(
                "notebook.table.misspelt",
                field="file",
                line=line,
                given=repr(name),
                column=near[0],
            )
    has_charge = "charge_coulombs" in header or {"current_a", "minutes"} <= set(header)
    missing = [name for name in ("metal", "area_cm2") if name not in header]
    missing += [] if has_charge else ["charge_coulombs"]
    missing += [] if {"depth_mm", "lost_g"} & set(header) else ["depth_mm"]
    if missing:
        raise RefusedError(
            "notebook.table.column_missing", field="file", line=line, columns=", ".join(missing)
        )
    return header


def _refuse_two_metals(rows: list[NotebookRow]) -> None:
    """Refuse a bath that etches two metals: its acid holds the other one."""
    first: dict[str, NotebookRow] = {}
    for row in rows:
        before = first.setdefault(row.bath, row)
        if row.bath and before.metal != row.metal:
            raise RefusedError(
                "notebook.table.two_metals",
                field="file",
                line=row.line,
                bath=repr(row.bath),
                metal=row.metal,
                first_metal=before.metal,
                first_line=before.line,
            )
