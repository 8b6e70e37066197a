"""What a notebook teaches: each row predicted before it is used, then the bath's figures. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.errors import RefusedError
from controller.physics.estimate import DepthEstimate
from controller.physics.faraday import Metal
from controller.physics.learning import Learner, PastRun, learn_from_bath, learn_past, new_learner
from controller.physics.learning.forecast import depth_after
from controller.physics.learning.merging import for_other_bath
from controller.planning.notebook.rows import NotebookRow
from controller.planning.request import TYPED_AREA_UNCERTAINTY_FRACTION

Key = tuple[str, str]
"""Name of a bath and its metal."""


@dataclass(frozen=True, slots=True)
class RowLesson:
    """A row, what was predicted for its charge, and what its readings then changed.

    :param predicted: from the rows before it only.
    :param old_bite_factor, bite_factor: best estimate for this run.
    :param doubt: probability that a reading of the row is wrong; None without a reading.
    """

    row: NotebookRow
    predicted: DepthEstimate
    old_bite_factor: float
    bite_factor: float
    doubt: float | None


@dataclass(frozen=True, slots=True)
class Lessons:
    """What a notebook teaches.

    :param rows: in the file's order.
    :param baths: the belief about the next run of each bath, in the order of their first rows.
    :param last: the bath of the last row.
    """

    rows: tuple[RowLesson, ...]
    baths: dict[Key, Learner]
    last: Key


def lessons_of(
    rows: Sequence[NotebookRow], metal_of: Callable[[str], Metal], shunt_sd: float
) -> Lessons:
    """Return what these rows teach.

    The runs of a bath are taken by date where every row has one, otherwise in the file's order.
    Raises: RefusedError for a row whose reading is impossible.
    """
    area_sd = TYPED_AREA_UNCERTAINTY_FRACTION
    ordered = list(rows)
    if all(row.day is not None for row in rows):
        ordered.sort(key=lambda row: row.day or row.day.min)  # type: ignore[union-attr]
    learners: dict[Key, Learner] = {}
    lessons: dict[int, RowLesson] = {}
    past: dict[Key, list[NotebookRow]] = {}
    for row in ordered:
        key = row.bath, row.metal
        if key not in learners:
            learners[key] = _start(key, past, metal_of(row.metal), shunt_sd)
        learner = learners[key]
        if row.is_fresh:
            learner = learner.fresh_acid()
        learner = learner.next_run(area_sd)
        lesson, learners[key] = _lesson(row, learner, metal_of(row.metal))
        lessons[id(row)] = lesson
        past.setdefault(key, []).append(row)
    final = {
        key: learn_from_bath(
            metal_of(key[1]),
            runs_of(past[key]),
            area_sd,
            shunt_sd,
            [runs_of(rows) for other, rows in past.items() if _are_kin(other, key)],
        )
        for key in past
    }
    last = rows[-1]
    return Lessons(tuple(lessons[id(row)] for row in rows), final, (last.bath, last.metal))


def runs_of(rows: Sequence[NotebookRow]) -> list[PastRun]:
    """Return the rows of one bath as past runs."""
    return [
        PastRun(row.growth, TYPED_AREA_UNCERTAINTY_FRACTION, row.readings, row.is_fresh)
        for row in rows
    ]


def _start(key: Key, past: dict[Key, list[NotebookRow]], metal: Metal, shunt_sd: float) -> Learner:
    """Return the belief in a bath without runs, from the earlier baths of its metal."""
    first = new_learner(metal, TYPED_AREA_UNCERTAINTY_FRACTION, shunt_sd)
    learner = first
    for other, rows in past.items():
        if _are_kin(other, key):
            learner = for_other_bath(learn_past(learner, runs_of(rows)), first)
    return learner


def _are_kin(one: Key, other: Key) -> bool:
    return one != other and one[1] == other[1]


def _lesson(row: NotebookRow, learner: Learner, metal: Metal) -> tuple[RowLesson, Learner]:
    predicted = depth_after(
        learner.belief(), row.growth, metal.mm3_per_coulomb, row.charge_coulombs
    )
    before, _ = learner.bite_factor()
    doubt: float | None = None
    for reading in row.readings:
        doubt = max(doubt or 0.0, learner.doubt(reading, row.growth))
        try:
            learner = learner.learn(reading, row.growth)
        except RefusedError as error:
            raise RefusedError(
                "notebook.row.impossible", field="file", line=row.line, problem=error.message
            ) from error
    return RowLesson(row, predicted, before, learner.bite_factor()[0], doubt), learner
