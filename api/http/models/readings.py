"""Stored gauge readings and weighings, and what they changed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any

from api.http.models.base import (
    NO_UNIT,
    Answer,
    described,
    example_of,
)
from api.http.models.reading_request import Place
from controller.logbook.entries import ReadingKind, ReadingTaken
from controller.logbook.stored_readings import reading_of, standing
from controller.physics.estimate import DepthEstimate
from controller.physics.readings import GaugeReading
from controller.running.plate_readings import Outcome


class GaugedAt(Answer):
    """Where on the plate a reading was taken, from the artwork's top left corner."""

    name: Annotated[str, described("What it is.", NO_UNIT, "tapped")]
    x_mm: Annotated[float, described("From the left edge.", "mm", 18.4)]
    y_mm: Annotated[float, described("From the top edge.", "mm", 18.8)]

    @classmethod
    def of(cls, place: dict[str, Any] | None) -> GaugedAt | None:
        """Return the place in a stored reading."""
        if place is None:
            return None
        return cls(name=place["name"], x_mm=place["x_mm"], y_mm=place["y_mm"])


class KeptReading(Answer):
    """A reading as it is stored. Fields of the other kind are null."""

    reading_id: Annotated[str, described("Name of the reading.", NO_UNIT, "9f2c51d07e44")]
    run_id: Annotated[str, described("Its run.", NO_UNIT, "20260314-091500-7")]
    kind: Annotated[ReadingKind, described("gauge, weighing, or withdrawn.", NO_UNIT, "gauge")]
    at_utc: Annotated[
        datetime,
        described("Wall time at which it was taken, a label.", NO_UNIT, "2026-03-14T09:21:40Z"),
    ]
    stands: Annotated[
        bool, described("Whether it counts: neither corrected nor withdrawn.", NO_UNIT, True)
    ]
    replaces: Annotated[
        str | None, described("Reading that it corrects or withdraws.", NO_UNIT, "0c12ab34cd56")
    ]
    replaced_by: Annotated[
        str | None, described("Reading that corrects or withdraws it.", NO_UNIT, "77ab01fe2299")
    ]
    charge_coulombs: Annotated[float | None, described("Charge that had flowed.", "C", 871.4)]
    spots_mm: Annotated[
        tuple[float, ...] | None, described("Depths as read.", "mm", [0.121, 0.118, 0.124])
    ]
    place: Annotated[Place | None, described("Where they were read.", NO_UNIT, "centre")]
    at: Annotated[
        GaugedAt | None,
        described(
            "The place that was pointed at or chosen.",
            NO_UNIT,
            {"name": "tapped", "x_mm": 18.4, "y_mm": 18.8},
        ),
    ]
    person: Annotated[str | None, described("Who gauged.", NO_UNIT, "M")]
    gauge: Annotated[str | None, described("Which gauge.", NO_UNIT, "dial gauge")]
    from_resist_top: Annotated[
        bool | None, described("Whether the gauge rested on the resist.", NO_UNIT, False)
    ]
    resolution_mm: Annotated[float | None, described("Smallest step of the gauge.", "mm", 0.01)]
    film_mm: Annotated[
        float | None,
        described("Thickness of the resist, subtracted when the gauge rested on it.", "mm", 0.045),
    ]
    acid_s: Annotated[
        float | None,
        described("Time in which the acid had bitten until then; null if not noted.", "s", 301.5),
    ]
    read_depth_mm: Annotated[
        float | None,
        described("Mean depth from the spots, corrected for film and place.", "mm", 0.121),
    ]
    read_error_mm: Annotated[float | None, described("Standard error of it.", "mm", 0.0035)]
    evenness_fraction: Annotated[
        float | None,
        described(
            "Deepest less shallowest spot over their mean; null with fewer than two.", NO_UNIT, 0.05
        ),
    ]
    lost_g: Annotated[float | None, described("Metal lost.", "g", 2.01)]
    resolution_g: Annotated[float | None, described("Smallest step of the scale.", "g", 0.01)]
    why: Annotated[
        str | None, described("Why one was withdrawn.", NO_UNIT, "gauged the wrong piece")
    ]

    @classmethod
    def of(cls, taken: ReadingTaken, *, stands: bool, replaced_by: str | None) -> KeptReading:
        """Return a reading."""
        at = GaugedAt.of(taken.body.get("at"))
        known: dict[str, Any] = {**taken.body, **_from_spots(taken), "at": at}
        named = {"reading_id", "run_id", "kind", "at_utc", "replaces"}
        own = {name: getattr(taken, name) for name in named}
        rest = {name: known.get(name) for name in cls.model_fields if name not in own}
        return cls.model_validate({**rest, **own, "stands": stands, "replaced_by": replaced_by})


def _from_spots(taken: ReadingTaken) -> dict[str, float | None]:
    """Return the mean depth, its error and the evenness of a gauge reading."""
    if taken.kind is not ReadingKind.GAUGE:
        return {}
    reading = reading_of(taken.kind, taken.body)
    if not isinstance(reading, GaugeReading):
        raise TypeError("not a gauge reading")
    depth_mm, error_mm = reading.mean_depth()
    return {
        "read_depth_mm": depth_mm,
        "read_error_mm": error_mm,
        "evenness_fraction": reading.evenness_fraction(),
    }


class ReadingList(Answer):
    """All readings of a run, oldest first, with their corrections."""

    run_id: Annotated[str, described("Name of the run.", NO_UNIT, "20260314-091500-7")]
    readings: Annotated[
        tuple[KeptReading, ...], described("The readings.", NO_UNIT, [example_of(KeptReading)])
    ]

    @classmethod
    def of(cls, run_id: str, readings: Iterable[ReadingTaken]) -> ReadingList:
        """Return the readings of a run."""
        known = tuple(readings)
        counting = {taken.reading_id for taken in standing(known)}
        replaced = {
            taken.replaces: taken.reading_id for taken in known if taken.replaces is not None
        }
        listed = (
            KeptReading.of(
                taken,
                stands=taken.reading_id in counting,
                replaced_by=replaced.get(taken.reading_id),
            )
            for taken in known
        )
        return cls(run_id=run_id, readings=tuple(listed))


class DepthInterval(Answer):
    """A depth estimate with its 95 % interval."""

    depth_mm: Annotated[float, described("Best estimate.", "mm", 0.121)]
    depth_low_mm: Annotated[float, described("Lower end.", "mm", 0.113)]
    depth_high_mm: Annotated[float, described("Upper end.", "mm", 0.129)]

    @classmethod
    def of(cls, depth: DepthEstimate) -> DepthInterval:
        """Return an estimate."""
        return cls(depth_mm=depth.best_mm, depth_low_mm=depth.low_mm, depth_high_mm=depth.high_mm)


class ReadingResponse(Answer):
    """What a reading changed. A reading of a past run changes only its bath: the rest is null."""

    reading: Annotated[
        KeptReading, described("The reading as kept.", NO_UNIT, example_of(KeptReading))
    ]
    before: Annotated[
        DepthInterval | None,
        described("Depth of the present run before it.", NO_UNIT, example_of(DepthInterval)),
    ]
    after: Annotated[
        DepthInterval | None,
        described("Depth of the present run after it.", NO_UNIT, example_of(DepthInterval)),
    ]
    target_charge_coulombs: Annotated[
        float | None, described("Charge at which the run stops now.", "C", 1764.0)
    ]
    max_charge_coulombs: Annotated[float | None, described("Ceiling on charge.", "C", 2251.5)]
    ceiling_first: Annotated[
        bool | None,
        described(
            "Whether the ceiling ends the run before its target. Raise it (/api/ceilings) if the "
            "reading is right.",
            NO_UNIT,
            False,
        ),
    ]

    lesson: Annotated[
        str | None,
        described(
            "What a new reading changed, in a sentence.",
            NO_UNIT,
            "This reading raised the bite factor from 0.98 to 1.03.",
        ),
    ]

    @classmethod
    def of(cls, outcome: Outcome) -> ReadingResponse:
        """Return what a reading changed. It is the newest, so nothing replaces it yet."""
        lesson = None if outcome.lesson is None else str(outcome.lesson)
        taken, learned = outcome.taken, outcome.learned
        stands = taken.kind is not ReadingKind.WITHDRAWN
        reading = KeptReading.of(taken, stands=stands, replaced_by=None)
        if learned is None:
            return cls(
                reading=reading,
                before=None,
                after=None,
                target_charge_coulombs=None,
                max_charge_coulombs=None,
                ceiling_first=None,
                lesson=lesson,
            )
        return cls(
            reading=reading,
            before=DepthInterval.of(learned.before),
            after=DepthInterval.of(learned.after),
            target_charge_coulombs=learned.target_charge_coulombs,
            max_charge_coulombs=learned.max_charge_coulombs,
            ceiling_first=learned.is_ceiling_first,
            lesson=lesson,
        )
