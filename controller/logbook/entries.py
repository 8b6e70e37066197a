"""Entries of the logbook: frozen values, units in the names.

The recorder makes them, the logbook writes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from controller.figures import Figures, MeanSample
from controller.messages import Event, RunState, TripReason
from controller.safety.reasons import RESUMABLE

UNFINISHED_STATES = (RunState.CHECKING, RunState.RUNNING, RunState.PAUSED, RunState.INTERRUPTED)
"""States of a run that a person can carry on. ``tripped`` is one of them for some reasons."""


def is_unfinished(state: RunState, reason: TripReason | None) -> bool:
    """Return whether a person can carry on a run that was left in that state."""
    return state in UNFINISHED_STATES or (state is RunState.TRIPPED and reason in RESUMABLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """The facts of a run that are fixed when it begins.

    :param planned_current_a: at its end; bounds the missing charge of a run that was cut off, as
        long as no more flows.
    """

    run_id: str
    piece: str
    metal: str
    bath: str | None
    target_depth_mm: float | None
    planned_current_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBegan(RunFacts):
    """A run as requested. Written once and never changed.

    :param at_s: monotonic time of this boot.
    :param plan: what was planned, as JSON values, units in the keys.
    :param settings: the settings in force, as JSON values, units in the keys.
    """

    started_at_utc: datetime
    at_s: float
    plan: Mapping[str, Any]
    settings: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress(Figures):
    """How far a run has come: a row of the table ``progress``. Some figures are always known.

    :param at_s: monotonic time of this boot.
    :param elapsed_s: time since the run began, pauses included, time without the daemon left out.
    """

    at_s: float
    elapsed_s: float
    on_time_s: float
    charge_coulombs: float
    uncertain_charge_coulombs: float = 0.0


@dataclass(frozen=True, slots=True)
class StateChanged:
    """A run changed its state. The newest change of a run replaces older ones not yet written.

    :param kept: its RunCheckpoint as JSON values, units in the keys, or None without a checkpoint.
    """

    run_id: str
    state: RunState
    at_utc: datetime
    progress: Progress
    reason: TripReason | None = None
    message: str | None = None
    kept: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The progress from which a run resumes after a crash. The newest replaces older ones.

    :param kept: see StateChanged.
    """

    run_id: str
    progress: Progress
    kept: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean(MeanSample):
    """One second of a run, to be written.

    Current and voltage are means of the averaged samples, without the zero offset. The other
    figures are those of the last sample.
    """

    run_id: str


@dataclass(frozen=True, slots=True)
class RawSample:
    """One conversion without its zero offset, ``elapsed_s`` after the run began."""

    elapsed_s: float
    current_a: float
    voltage_v: float
    saturated: bool
    averaged: bool


@dataclass(frozen=True, slots=True)
class RawSamples:
    """Conversions around a trip, oldest first."""

    run_id: str
    samples: tuple[RawSample, ...]


@dataclass(frozen=True, slots=True)
class BathSaved:
    """A bath as a person describes it. The newest description of a name applies.

    :param acid: acid and strength in words, such as "nitric acid, 1 part in 10".
    :param volume_l: volume, or None when it was not given.
    :param made_up_on: date in ISO 8601, or None.
    :param is_retired: it is spent. Its history is kept, and it is no longer offered.
    :param water_parts: parts of water to 1 part of acid, by volume, or None when not given.
    :param bottle_percent: share of acid on the bottle's label by mass, %, or None.
    :param usual_degc: its usual temperature, or None.
    :param attack_um_per_min: what a weighed coupon showed, with the standard deviation of its
        logarithm and the bath's temperature; None without a coupon.
    """

    name: str
    metal: str
    acid: str
    volume_l: float | None
    made_up_on: str | None
    note: str
    is_retired: bool
    saved_at_utc: datetime
    water_parts: float | None = None
    bottle_percent: float | None = None
    usual_degc: float | None = None
    attack_um_per_min: float | None = None
    attack_sd_ln: float | None = None
    attack_degc: float | None = None
    attack_weighed_at_utc: datetime | None = None
    run_id: None = None


class ReadingKind(StrEnum):
    """Kinds of reading."""

    GAUGE = "gauge"
    WEIGHING = "weighing"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """A gauge reading or weighing of a run, or the withdrawal of one. Replaced, never changed.

    :param replaces: the reading that this corrects or withdraws, or None.
    :param body: the numbers, units in the keys; for a withdrawn one the reason.
    """

    reading_id: str
    run_id: str
    kind: ReadingKind
    at_utc: datetime
    replaces: str | None
    body: Mapping[str, Any]


class BathEventKind(StrEnum):
    """Kinds of event of a bath."""

    FRESH_ACID = "fresh-acid"
    NOTEBOOK = "notebook"


@dataclass(frozen=True, slots=True)
class BathEvent:
    """Something that happened to a bath beside its runs: fresh acid, or a notebook taken over.

    :param event_id: the same id is kept once.
    :param body: units in the keys; for a notebook its rows.
    """

    event_id: str
    bath: str
    kind: BathEventKind
    at_utc: datetime
    body: Mapping[str, Any]
    run_id: None = None


Entry = (
    RunBegan
    | StateChanged
    | Checkpoint
    | Event
    | Mean
    | RawSamples
    | BathSaved
    | ReadingTaken
    | BathEvent
)
