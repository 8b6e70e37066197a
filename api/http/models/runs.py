"""What the logbook holds: runs, events, samples."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from api.http.models.base import NO_UNIT, Answer, said
from api.http.models.figures import with_figures
from api.http.models.status import MessageField, Reason, State
from controller.figures import FIGURES, FIGURES_OF_A_SECOND, MeanSample, values_of
from controller.logbook.entries import Progress
from controller.logbook.reader import RunRecord, RunSummary
from controller.messages import EventKind, title_of

_SUMMARY_EXAMPLE = {
    "run_id": "20260314-091500-7",
    "piece": "fern brooch",
    "metal": "fine-silver",
    "bath": None,
    "started_at_utc": "2026-03-14T09:15:00Z",
    "ended_at_utc": "2026-03-14T09:25:02Z",
    "state": "finished",
    "reason": None,
    "reason_title": None,
    "message": "Target depth reached.",
    "target_depth_mm": 0.25,
    "planned_current_a": 3.0,
    "elapsed_s": 602.0,
    **{name: about.listed for name, about in FIGURES.items()},
}


@with_figures(
    Progress, {name: (about.description, about.listed) for name, about in FIGURES.items()}
)
class RunListed(Answer):
    """A run as the list shows it."""

    run_id: Annotated[str, said("Name of the run.", NO_UNIT, "20260314-091500-7")]
    piece: Annotated[str, said("Name of the piece.", NO_UNIT, "fern brooch")]
    metal: Annotated[str, said("Metal.", NO_UNIT, "fine-silver")]
    bath: Annotated[str | None, said("Bath.", NO_UNIT, "nitric bath of March")]
    started_at_utc: Annotated[
        datetime, said("Wall time of the start, a label.", NO_UNIT, "2026-03-14T09:15:00Z")
    ]
    ended_at_utc: Annotated[
        datetime | None,
        said(
            "Wall time of the end, a label; null while it can go on.",
            NO_UNIT,
            "2026-03-14T09:25:02Z",
        ),
    ]
    state: State
    reason: Reason
    reason_title: Annotated[
        str | None, said("The reason in a few words, for a person.", NO_UNIT, "Contact lost")
    ]
    message: MessageField
    target_depth_mm: Annotated[float | None, said("Depth that the run stops at.", "mm", 0.25)]
    planned_current_a: Annotated[float, said("Planned current.", "A", 3.0)]
    elapsed_s: Annotated[float, said("Observed time since the start, pauses included.", "s", 602.0)]

    @classmethod
    def of(cls, run: RunSummary) -> RunListed:
        """Return a run."""
        return cls.model_validate(listed(run))


def listed(run: RunSummary) -> dict[str, Any]:
    """Return the values of a run that people see, those of its progress beside the others."""
    title = None if run.reason is None else str(title_of(run.reason))
    values = {**values_of(run), **values_of(run.progress), "reason_title": title}
    return {name: values[name] for name in RunListed.model_fields}


class RunList(Answer):
    """Part of the list, newest first."""

    runs: Annotated[tuple[RunListed, ...], said("The runs.", NO_UNIT, [_SUMMARY_EXAMPLE])]
    next_before: Annotated[
        str | None,
        said(
            "Give it as before to get the next part; null at the end.", NO_UNIT, "20260301-140211-3"
        ),
    ]


class RunTold(Answer):
    """A run with its plan and settings as they were stored."""

    run: Annotated[RunListed, said("The run.", NO_UNIT, _SUMMARY_EXAMPLE)]
    plan: Annotated[
        dict[str, Any],
        said(
            "The plan; its request can be planned and started again. Units in the keys.",
            NO_UNIT,
            {"charge_coulombs": 1801.2},
        ),
    ]
    settings: Annotated[
        dict[str, Any],
        said(
            "The settings in force. Units in the keys.", NO_UNIT, {"limits": {"max_voltage_v": 6.0}}
        ),
    ]

    @classmethod
    def of(cls, record: RunRecord) -> RunTold:
        """Return a run with its papers."""
        return cls(run=RunListed.of(record.summary), plan=record.plan, settings=record.settings)


class EventTold(Answer):
    """One line of a run's event list."""

    number: Annotated[int, said("Number in the logbook, rising.", NO_UNIT, 41)]
    at_utc: Annotated[datetime, said("Wall time, a label.", NO_UNIT, "2026-03-14T09:15:01Z")]
    on_time_s: Annotated[float, said("Relay-on time so far in the run.", "s", 12.5)]
    kind: Annotated[
        EventKind,
        said(
            "state: the bench changed its state. command: a person asked for something. check: the "
            "rig check's outcome with its figures. warning: something to look at. note: the rest.",
            NO_UNIT,
            "state",
        ),
    ]
    text: Annotated[str, said("What happened.", NO_UNIT, "checking -> running. Relay on.")]
    data: Annotated[
        dict[str, Any] | None,
        said("Numbers. Units in the keys.", NO_UNIT, {"charge_coulombs": 0.0}),
    ]


class EventList(Answer):
    """Part of a run's events, oldest first."""

    events: Annotated[
        tuple[EventTold, ...],
        said(
            "The events.",
            NO_UNIT,
            [
                {
                    "number": 41,
                    "at_utc": "2026-03-14T09:15:01Z",
                    "on_time_s": 0.0,
                    "kind": "state",
                    "text": "idle -> checking.",
                    "data": None,
                }
            ],
        ),
    ]
    next_after: Annotated[
        int | None, said("Give it as after to get the next part; null at the end.", NO_UNIT, 41)
    ]


@with_figures(
    MeanSample,
    {name: (about.description, about.example) for name, about in FIGURES_OF_A_SECOND.items()},
)
class SecondTold(Answer):
    """One second of a run."""

    elapsed_s: Annotated[
        int, said("Whole seconds since the start: the samples lie in this one.", "s", 12)
    ]


class PointTold(Answer):
    """Some seconds of a run in one point, extremes kept."""

    elapsed_s: Annotated[int, said("First second of the point.", "s", 12)]
    on_time_s: Annotated[float, said("Relay-on time at its end.", "s", 15.6)]
    current_mean_a: Annotated[float, said("Mean current.", "A", 3.002)]
    current_min_a: Annotated[float, said("Smallest current of a second.", "A", 2.98)]
    current_max_a: Annotated[float, said("Largest current of a second.", "A", 3.03)]
    voltage_mean_v: Annotated[float, said("Mean cell voltage.", "V", 3.1)]
    voltage_min_v: Annotated[float, said("Smallest cell voltage of a second.", "V", 3.08)]
    voltage_max_v: Annotated[float, said("Largest cell voltage of a second.", "V", 3.13)]
    charge_coulombs: Annotated[float, said("Charge at its end.", "C", 46.9)]
    depth_min_mm: Annotated[float | None, said("Depth at its start.", "mm", 0.0048)]
    depth_max_mm: Annotated[float | None, said("Depth at its end.", "mm", 0.0065)]
    bath_min_degc: Annotated[float | None, said("Lowest bath temperature.", "degC", 21.4)]
    bath_max_degc: Annotated[float | None, said("Highest bath temperature.", "degC", 21.5)]


class RawTold(Answer):
    """One conversion of the sensor around a trip, zero offset taken out."""

    elapsed_s: Annotated[float, said("Time since the start of the run.", "s", 61.0438)]
    current_a: Annotated[float, said("Current.", "A", 3.412)]
    voltage_v: Annotated[float, said("Cell voltage.", "V", 3.3)]
    saturated: Annotated[
        bool,
        said("The reading stands at the end of its range: the current is larger.", NO_UNIT, False),
    ]
    averaged: Annotated[
        bool, said("False for a quick second look, which carries the ripple.", NO_UNIT, True)
    ]


class SecondList(Answer):
    """The one-second means of a run."""

    run_id: Annotated[str, said("Name of the run.", NO_UNIT, "20260314-091500-7")]
    samples: Annotated[
        tuple[SecondTold, ...],
        said(
            "Oldest first.",
            NO_UNIT,
            [
                {
                    "elapsed_s": 12,
                    **{name: about.example for name, about in FIGURES_OF_A_SECOND.items()},
                    "bath_degc": None,
                }
            ],
        ),
    ]


class PointList(Answer):
    """A run reduced to fewer points, extremes kept."""

    run_id: Annotated[str, said("Name of the run.", NO_UNIT, "20260314-091500-7")]
    points: Annotated[
        tuple[PointTold, ...],
        said(
            "Oldest first.",
            NO_UNIT,
            [
                {
                    "elapsed_s": 12,
                    "on_time_s": 15.6,
                    "current_mean_a": 3.002,
                    "current_min_a": 2.98,
                    "current_max_a": 3.03,
                    "voltage_mean_v": 3.1,
                    "voltage_min_v": 3.08,
                    "voltage_max_v": 3.13,
                    "charge_coulombs": 46.9,
                    "depth_min_mm": 0.0048,
                    "depth_max_mm": 0.0065,
                    "bath_min_degc": None,
                    "bath_max_degc": None,
                }
            ],
        ),
    ]


class RawList(Answer):
    """The raw samples around the trips of a run."""

    run_id: Annotated[str, said("Name of the run.", NO_UNIT, "20260314-091500-7")]
    samples: Annotated[
        tuple[RawTold, ...],
        said(
            "Oldest first.",
            NO_UNIT,
            [
                {
                    "elapsed_s": 61.0438,
                    "current_a": 3.412,
                    "voltage_v": 3.3,
                    "saturated": False,
                    "averaged": True,
                }
            ],
        ),
    ]
