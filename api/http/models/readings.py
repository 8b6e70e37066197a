"""Gauge readings and weighings: requests, what is kept, what they changed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Discriminator

from api.http.models.base import NO_UNIT, PLAIN_TEXT, Answer, RequestModel, example_of, number, said
from controller.errors import RefusedError
from controller.logbook.entries import ReadingKind, ReadingTaken
from controller.logbook.stored_readings import reading_of, standing
from controller.physics.estimate import DepthEstimate
from controller.physics.learning import GaugeReading
from controller.planning.reading_drafts import GaugeDraft, WeighingDraft
from controller.running.plate_readings import Outcome

MAX_SPOTS = 50

Spot = Annotated[float, number("Depth at a spot, as read.", "mm", 0.121, gt=0.0, le=10.0)]
Place = Literal["centre", "edge", "small-field"]


class _ReadingBody(RequestModel):
    charge_coulombs: Annotated[
        float | None,
        number(
            "Charge that had flowed; the run's counted charge when left out.",
            "C",
            871.4,
            gt=0.0,
            le=1e8,
        ),
    ] = None
    replaces: Annotated[
        str | None,
        said(
            "Reading that this one corrects.",
            NO_UNIT,
            "9f2c51d07e44",
            max_length=40,
            pattern=PLAIN_TEXT,
        ),
    ] = None
    is_confirmed: Annotated[
        bool, said("Take it though it is far from what was expected.", NO_UNIT, False, strict=True)
    ] = False


class GaugeBody(_ReadingBody):
    """Depths at some spots, gauged with the plate out of the bath."""

    kind: Annotated[Literal["gauge"], said("What it is.", NO_UNIT, "gauge")]
    spots_mm: Annotated[
        tuple[Spot, ...],
        said(
            "One depth for each spot, as read.",
            "mm",
            [0.121, 0.118, 0.124],
            min_length=1,
            max_length=MAX_SPOTS,
        ),
    ]
    place: Annotated[
        Place,
        said(
            "Where: in the middle of wide floors, near edges, or in small fields, which run deeper.",
            NO_UNIT,
            "centre",
        ),
    ] = "centre"
    from_resist_top: Annotated[
        bool,
        said("The gauge stood on the resist: its film is taken off.", NO_UNIT, False, strict=True),
    ] = False
    resolution_mm: Annotated[
        float, number("Smallest step of the gauge.", "mm", 0.01, ge=1e-5, le=1.0)
    ] = 0.01

    def draft(self) -> GaugeDraft:
        """Return what the person read, and None for what they left out."""
        return GaugeDraft(
            self.spots_mm,
            self.place,
            self.from_resist_top,
            self.resolution_mm,
            self.charge_coulombs,
        )


class WeighingBody(_ReadingBody):
    """Metal lost: the sheet weighed bare before lamination and after stripping."""

    kind: Annotated[Literal["weighing"], said("What it is.", NO_UNIT, "weighing")]
    before_g: Annotated[float, number("Weight before.", "g", 24.31, gt=0.0, le=1e5)]
    after_g: Annotated[float, number("Weight after.", "g", 22.30, gt=0.0, le=1e5)]
    resolution_g: Annotated[
        float, number("Smallest step of the scale.", "g", 0.01, ge=1e-6, le=100.0)
    ] = 0.01

    def draft(self) -> WeighingDraft:
        """Return what the person weighed. Raises: RefusedError when nothing was lost."""
        lost_g = round(self.before_g - self.after_g, 9)
        if lost_g <= 0.0:
            raise RefusedError(
                f"after_g {self.after_g:g} g must be below before_g {self.before_g:g} g: were the two swapped?",
                field="after_g",
                limit=f"below {self.before_g:g} g",
            )
        return WeighingDraft(lost_g, self.resolution_g, self.charge_coulombs)


ReadingBody = Annotated[GaugeBody | WeighingBody, Discriminator("kind")]


class WithdrawalBody(RequestModel):
    """Why a reading does not stand."""

    why: Annotated[
        str,
        said(
            "The reason.",
            NO_UNIT,
            "gauged the wrong piece",
            min_length=1,
            max_length=200,
            pattern=PLAIN_TEXT,
        ),
    ]


class KeptReading(Answer):
    """A reading as it is kept. What belongs to the other kind is null."""

    reading_id: Annotated[str, said("Name of the reading.", NO_UNIT, "9f2c51d07e44")]
    run_id: Annotated[str, said("Its run.", NO_UNIT, "20260314-091500-7")]
    kind: Annotated[ReadingKind, said("gauge, weighing, or withdrawn.", NO_UNIT, "gauge")]
    at_utc: Annotated[
        datetime, said("Wall time at which it was taken, a label.", NO_UNIT, "2026-03-14T09:21:40Z")
    ]
    stands: Annotated[
        bool, said("Whether it counts: neither corrected nor withdrawn.", NO_UNIT, True)
    ]
    replaces: Annotated[
        str | None, said("Reading that it corrects or withdraws.", NO_UNIT, "0c12ab34cd56")
    ]
    replaced_by: Annotated[
        str | None, said("Reading that corrects or withdraws it.", NO_UNIT, "77ab01fe2299")
    ]
    charge_coulombs: Annotated[float | None, said("Charge that had flowed.", "C", 871.4)]
    spots_mm: Annotated[
        tuple[float, ...] | None, said("Depths as read.", "mm", [0.121, 0.118, 0.124])
    ]
    place: Annotated[Place | None, said("Where they were read.", NO_UNIT, "centre")]
    from_resist_top: Annotated[bool | None, said("The gauge stood on the resist.", NO_UNIT, False)]
    resolution_mm: Annotated[float | None, said("Smallest step of the gauge.", "mm", 0.01)]
    film_mm: Annotated[
        float | None,
        said("Thickness of the resist, taken off when the gauge stood on it.", "mm", 0.045),
    ]
    read_depth_mm: Annotated[
        float | None, said("Mean depth that the spots say, film and place taken out.", "mm", 0.121)
    ]
    read_error_mm: Annotated[float | None, said("Standard error of it.", "mm", 0.0035)]
    evenness_fraction: Annotated[
        float | None,
        said(
            "Deepest less shallowest spot over their mean; null with fewer than two.", NO_UNIT, 0.05
        ),
    ]
    lost_g: Annotated[float | None, said("Metal lost.", "g", 2.01)]
    resolution_g: Annotated[float | None, said("Smallest step of the scale.", "g", 0.01)]
    why: Annotated[str | None, said("Why one was withdrawn.", NO_UNIT, "gauged the wrong piece")]

    @classmethod
    def of(cls, taken: ReadingTaken, *, stands: bool, replaced_by: str | None) -> KeptReading:
        """Return a reading."""
        known: dict[str, Any] = {**taken.body, **_seen(taken)}
        named = {"reading_id", "run_id", "kind", "at_utc", "replaces"}
        own = {name: getattr(taken, name) for name in named}
        rest = {name: known.get(name) for name in cls.model_fields if name not in own}
        return cls.model_validate({**rest, **own, "stands": stands, "replaced_by": replaced_by})


def _seen(taken: ReadingTaken) -> dict[str, float | None]:
    """Return what the spots of a gauge reading say together."""
    if taken.kind is not ReadingKind.GAUGE:
        return {}
    reading = reading_of(taken.kind, taken.body)
    if not isinstance(reading, GaugeReading):
        raise TypeError("a gauge reading is none")
    depth_mm, error_mm = reading.mean_depth()
    return {
        "read_depth_mm": depth_mm,
        "read_error_mm": error_mm,
        "evenness_fraction": reading.evenness_fraction(),
    }


class ReadingList(Answer):
    """Everything that was read on a run, oldest first, with its history."""

    run_id: Annotated[str, said("Name of the run.", NO_UNIT, "20260314-091500-7")]
    readings: Annotated[
        tuple[KeptReading, ...], said("The readings.", NO_UNIT, [example_of(KeptReading)])
    ]

    @classmethod
    def of(cls, run_id: str, readings: Iterable[ReadingTaken]) -> ReadingList:
        """Return the readings of a run."""
        known = tuple(readings)
        stand = {taken.reading_id for taken in standing(known)}
        replaced = {
            taken.replaces: taken.reading_id for taken in known if taken.replaces is not None
        }
        told = (
            KeptReading.of(
                taken, stands=taken.reading_id in stand, replaced_by=replaced.get(taken.reading_id)
            )
            for taken in known
        )
        return cls(run_id=run_id, readings=tuple(told))


class DepthInterval(Answer):
    """A depth estimate with its 95 % interval."""

    depth_mm: Annotated[float, said("Best estimate.", "mm", 0.121)]
    depth_low_mm: Annotated[float, said("Lower end.", "mm", 0.113)]
    depth_high_mm: Annotated[float, said("Upper end.", "mm", 0.129)]

    @classmethod
    def of(cls, depth: DepthEstimate) -> DepthInterval:
        """Return an estimate."""
        return cls(depth_mm=depth.best_mm, depth_low_mm=depth.low_mm, depth_high_mm=depth.high_mm)


class ReadingResponse(Answer):
    """What a reading changed. Of a past run only its bath learns: the rest is null."""

    reading: Annotated[KeptReading, said("The reading as kept.", NO_UNIT, example_of(KeptReading))]
    before: Annotated[
        DepthInterval | None,
        said("Depth of the present run before it.", NO_UNIT, example_of(DepthInterval)),
    ]
    after: Annotated[
        DepthInterval | None,
        said("Depth of the present run after it.", NO_UNIT, example_of(DepthInterval)),
    ]
    target_charge_coulombs: Annotated[
        float | None, said("Charge at which the run stops now.", "C", 1764.0)
    ]
    max_charge_coulombs: Annotated[float | None, said("Ceiling on charge.", "C", 2251.5)]
    ceiling_first: Annotated[
        bool | None, said("The ceiling ends the run before its target: raise it (/api/ceilings) if the reading is right.",
                          NO_UNIT, False)
    ]  # fmt: skip

    @classmethod
    def of(cls, outcome: Outcome) -> ReadingResponse:
        """Return what a reading changed. It is the newest, so that nothing replaces it yet."""
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
            )
        return cls(
            reading=reading,
            before=DepthInterval.of(learned.before),
            after=DepthInterval.of(learned.after),
            target_charge_coulombs=learned.target_charge_coulombs,
            max_charge_coulombs=learned.max_charge_coulombs,
            ceiling_first=learned.is_ceiling_first,
        )
