"""Rows of a notebook as JSON values, for the logbook. Pure."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date
from typing import Any

from controller.errors import RefusedError
from controller.planning.notebook.rows import NotebookRow


def notebook_to_json(rows: Sequence[NotebookRow]) -> dict[str, Any]:
    """Return the rows as JSON values."""
    return {
        "rows": [
            {
                **asdict(row),
                "day": None if row.day is None else row.day.isoformat(),
                "spots_mm": list(row.spots_mm),
            }
            for row in rows
        ]
    }


def rows_of_notebook(body: Mapping[str, Any]) -> list[NotebookRow]:
    """Return the stored rows. Raises: KeyError, TypeError or ValueError for other values."""
    return [
        NotebookRow(
            **{
                **row,
                "day": None if row["day"] is None else date.fromisoformat(row["day"]),
                "spots_mm": tuple(map(float, row["spots_mm"])),
            }
        )
        for row in body["rows"]
    ]


def notebook_id(bath: str, rows: Sequence[NotebookRow]) -> str:
    """Return an id that the same rows in the same bath have again."""
    content = json.dumps([bath, notebook_to_json(rows)], sort_keys=True)
    return "notebook-" + hashlib.sha256(content.encode()).hexdigest()[:20]


def rows_for(bath: str, metal: str, rows: Sequence[NotebookRow]) -> list[NotebookRow]:
    """Return the rows of a notebook that belong to a bath.

    They are those of that name, or all of them where the notebook names one bath only.
    Raises: RefusedError when none fit, or one is of another metal.
    """
    names = {row.bath for row in rows}
    chosen = [row for row in rows if row.bath == bath]
    if not chosen and len(names) == 1:
        chosen = list(rows)
    if not chosen:
        known = ", ".join(sorted(map(repr, names)))
        raise RefusedError("notebook.into.no_rows", field="into", bath=repr(bath), known=known)
    for row in chosen:
        if row.metal != metal:
            raise RefusedError(
                "notebook.into.other_metal",
                field="file",
                line=row.line,
                metal=row.metal,
                bath=repr(bath),
                own_metal=metal,
            )
    if all(row.day is not None for row in chosen):
        chosen.sort(key=lambda row: row.day or date.min)
    return chosen


def new_rows(known: Sequence[NotebookRow], rows: Sequence[NotebookRow]) -> list[NotebookRow]:
    """Return the rows that a bath does not have yet; a notebook may have grown at its end.

    Raises: RefusedError when all of them are known, or some in the middle.
    """
    old, given = [_content(row) for row in known], [_content(row) for row in rows]
    if given[: len(old)] == old:
        left = list(rows[len(old) :])
    elif not any(content in old for content in given):
        left = list(rows)
    elif all(content in old for content in given):
        left = []
    else:
        line = next(row.line for row, content in zip(rows, given, strict=True) if content in old)
        raise RefusedError("notebook.into.partly_known", field="file", line=line)
    if not left:
        raise RefusedError("notebook.into.known", field="file", count=len(rows))
    return left


def _content(row: NotebookRow) -> NotebookRow:
    """Return a row without what may change when a notebook is exported again."""
    return replace(row, line=0, bath="")
