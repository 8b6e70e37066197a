"""The past of a bath: its notebook, its runs, its fresh acid, and what all of that teaches."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean

from controller.logbook.bath_reader import BathReader, PastBathRun
from controller.logbook.entries import BathEvent, BathEventKind, ReadingTaken
from controller.logbook.stored_readings import reading_of, standing
from controller.physics.attack import AttackRate
from controller.physics.faraday import Metal
from controller.physics.learning import Learner, PastRun, learn_from_bath
from controller.physics.learning.merging import compacted
from controller.physics.readings import Reading
from controller.planning.json_form import request_from_json
from controller.planning.notebook.lessons import runs_of
from controller.planning.notebook.stored import rows_of_notebook
from controller.planning.past_attack import past_with_acid, taught_pace
from controller.planning.request import growth_of

_LATER = sys.maxsize
"""Comes after every run: an event that is not written yet."""


@dataclass(frozen=True, slots=True)
class News:
    """Readings and events of this process, which may not be written yet."""

    readings: tuple[ReadingTaken, ...] = ()
    events: tuple[BathEvent, ...] = ()


@dataclass(frozen=True, slots=True)
class Taught:
    """What the past of a bath teaches about its next run.

    :param learner: small enough for one run.
    :param readings: how many count.
    :param notebook_runs, notebook_coulombs: rows of its notebook, and their charge.
    :param spread: run-to-run spread of ln(bite factor), and the sd of its logarithm.
    :param fresh_acid_at_utc: when the bath last got fresh acid, or None.
    :param pace_s_mm2_per_coulomb: mean pace of the runs with readings, see Knowledge; 0 without.
    """

    learner: Learner
    readings: int
    notebook_runs: int
    notebook_coulombs: float
    spread: tuple[float, float]
    fresh_acid_at_utc: datetime | None
    pace_s_mm2_per_coulomb: float


@dataclass(frozen=True, slots=True)
class _Past:
    runs: tuple[PastRun, ...]
    is_fresh: bool
    notebook_runs: int
    notebook_coulombs: float
    fresh_acid_at_utc: datetime | None
    paces_s_mm2_per_coulomb: tuple[float, ...]


def taught(
    reader: BathReader,
    names: Sequence[str],
    news: News,
    metal: Metal,
    area_sd: float,
    shunt_sd: float,
    attacks: Sequence[AttackRate],
) -> Taught:
    """Return what is known of a bath. Takes about 1 ms for each reading.

    :param names: the bath, then the other baths of its metal.
    :param attacks: rate of the acid's own attack in each of them.
    """
    own, *others = (
        _past_of(reader, name, news, attack, metal)
        for name, attack in zip(names, attacks, strict=True)
    )
    paces = own.paces_s_mm2_per_coulomb
    learner = learn_from_bath(
        metal,
        own.runs,
        area_sd,
        shunt_sd,
        [other.runs for other in others],
        is_fresh=own.is_fresh,
    )
    return Taught(
        compacted(learner),
        sum(len(run.readings) for run in own.runs),
        own.notebook_runs,
        own.notebook_coulombs,
        learner.spread(),
        own.fresh_acid_at_utc,
        fmean(paces) if paces else 0.0,
    )


def events_of(
    reader: BathReader, name: str, news: Sequence[BathEvent]
) -> tuple[tuple[BathEvent, int], ...]:
    """Return the events of a bath with the run that each came after, unwritten ones last."""
    stored = reader.events(name)
    known = {event.event_id for event, _ in stored}
    fresh = [(e, _LATER) for e in news if e.bath == name and e.event_id not in known]
    return (*stored, *fresh)


def merged(
    stored: tuple[ReadingTaken, ...], new: Sequence[ReadingTaken]
) -> tuple[ReadingTaken, ...]:
    """Return the stored readings and those that still wait to be written."""
    known = {reading.reading_id for reading in stored}
    return (*stored, *(reading for reading in new if reading.reading_id not in known))


def _past_of(reader: BathReader, name: str, news: News, attack: AttackRate, metal: Metal) -> _Past:
    """Return the notebook's rows, then the runs, with the fresh acid between them."""
    events = events_of(reader, name, news.events)
    rows = [
        row
        for event, _ in events
        if event.kind is BathEventKind.NOTEBOOK
        for row in rows_of_notebook(event.body)
    ]
    fresh = [(event, after) for event, after in events if event.kind is BathEventKind.FRESH_ACID]
    waiting = [after for _, after in fresh]
    by_run: dict[str, list[Reading]] = {}
    for taken in standing(merged(reader.readings_of_bath(name), news.readings)):
        by_run.setdefault(taken.run_id, []).append(reading_of(taken.kind, taken.body))
    runs = list(runs_of(rows))
    paces = []
    for run in reader.history(name):
        is_fresh = any(after < run.number for after in waiting)
        waiting = [after for after in waiting if after >= run.number]
        if run.run_id in by_run or is_fresh:
            past = _past_run(run, by_run, attack, metal)
            if past.readings:
                paces.append(taught_pace(run.plan, attack, metal))
            runs.append(replace(past, is_fresh=is_fresh))
    return _Past(
        tuple(runs),
        bool(waiting),
        len(rows),
        sum(row.charge_coulombs for row in rows),
        fresh[-1][0].at_utc if fresh else None,
        tuple(paces),
    )


def _past_run(
    run: PastBathRun, by_run: Mapping[str, list[Reading]], attack: AttackRate, metal: Metal
) -> PastRun:
    request = request_from_json(run.plan["request"])
    readings = tuple(
        past_with_acid(run.plan, attack, metal, reading) for reading in by_run.get(run.run_id, ())
    )
    return PastRun(growth_of(request), request.area_uncertainty_fraction, readings)
