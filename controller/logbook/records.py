"""The logbook's answers: frozen values, units in the names, None for absence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.logbook.entries import Progress, ReadingTaken, RunFacts
from controller.messages import RunState, TripReason


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary(RunFacts):
    """A run as the list shows it.

    :param number: order in which the runs were written.
    :param boot_id: the boot that ``progress.at_s`` belongs to.
    """

    number: int
    started_at_utc: str
    ended_at_utc: str | None
    state: RunState
    reason: TripReason | None
    message: str | None
    boot_id: str
    progress: Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """A run with its plan and settings as stored, and its readings, replaced ones too.

    :param kept: its newest checkpoint as JSON values, or None when an older version wrote it.
    """

    summary: RunSummary
    plan: dict[str, Any]
    settings: dict[str, Any]
    readings: tuple[ReadingTaken, ...]
    kept: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class RunPage:
    """Part of the list, newest first.

    :param next_before: pass it as ``before`` to get the next part; None at the end.
    """

    runs: tuple[RunSummary, ...]
    next_before: str | None


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An event as it was stored; ``data`` has units in the keys."""

    number: int
    at_utc: str
    on_time_s: float
    kind: str
    text: str
    data: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Several seconds of a run as one point, with the extremes of values that can rise and fall.

    :param elapsed_s: first second of the point.
    :param on_time_s, charge_coulombs: at the end of the point.
    """

    elapsed_s: int
    on_time_s: float
    current_mean_a: float
    current_min_a: float
    current_max_a: float
    voltage_mean_v: float
    voltage_min_v: float
    voltage_max_v: float
    charge_coulombs: float
    depth_min_mm: float | None
    depth_max_mm: float | None
    bath_min_degc: float | None
    bath_max_degc: float | None
