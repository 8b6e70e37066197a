"""Gauge readings and weighings as a person sends them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator

from api.http.models.base import NO_UNIT, PLAIN_TEXT, RequestModel, described, number
from controller.errors import RefusedError
from controller.physics.places import Place as PlaceOnPlate
from controller.planning.reading_drafts import GaugeDraft, WeighingDraft

MAX_SPOTS = 50
MAX_NAME = 40

Spot = Annotated[float, number("Depth at a spot, as read.", "mm", 0.121, gt=0.0, le=10.0)]
Place = Literal[
    "centre",
    "edge",
    "small-field",
    "widest-floor-middle",
    "widest-floor-edge",
    "lines-under-0.3-mm",
    "lines-0.3-to-1-mm",
    "lines-1-to-3-mm",
    "wider-than-3-mm",
    "deepest-twentieth",
]
"""Three words for any plate, then the places of a measured artwork."""


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
        described(
            "Reading that this one corrects.",
            NO_UNIT,
            "9f2c51d07e44",
            max_length=40,
            pattern=PLAIN_TEXT,
        ),
    ] = None
    is_confirmed: Annotated[
        bool,
        described(
            "Accept it although it is far from what was expected.", NO_UNIT, False, strict=True
        ),
    ] = False


class AtBody(RequestModel):
    """Where the gauge stood: a place of the plan's list by its name, or a point of the plate."""

    name: Annotated[
        str | None,
        described(
            "Name of a place in the plan's list; null for a point.",
            NO_UNIT,
            "widest-floor-middle",
            max_length=40,
            pattern=PLAIN_TEXT,
        ),
    ] = None
    x_mm: Annotated[
        float | None,
        number("Point from the artwork's left edge.", "mm", 18.4, ge=-1000.0, le=1000.0),
    ] = None
    y_mm: Annotated[
        float | None,
        number("Point from its top edge.", "mm", 18.8, ge=-1000.0, le=1000.0),
    ] = None


_WHO = {"min_length": 1, "max_length": 40, "pattern": PLAIN_TEXT}


class GaugeBody(_ReadingBody):
    """Depths at some spots, gauged with the plate out of the bath."""

    kind: Annotated[Literal["gauge"], described("What it is.", NO_UNIT, "gauge")]
    spots_mm: Annotated[
        tuple[Spot, ...],
        described(
            "One depth for each spot, as read.",
            "mm",
            [0.121, 0.118, 0.124],
            min_length=1,
            max_length=MAX_SPOTS,
        ),
    ]
    place: Annotated[
        Place,
        described(
            "Where: in the middle of wide floors, near edges, or in small, deeper fields.",
            NO_UNIT,
            "centre",
        ),
    ] = "centre"
    from_resist_top: Annotated[
        bool,
        described(
            "Whether the gauge rested on the resist. Its thickness is subtracted.",
            NO_UNIT,
            False,
            strict=True,
        ),
    ] = False
    resolution_mm: Annotated[
        float, number("Smallest step of the gauge.", "mm", 0.01, ge=1e-5, le=1.0)
    ] = 0.01
    at: Annotated[
        AtBody | None,
        described(
            "Where the gauge stood; null when only the kind of place is known.",
            NO_UNIT,
            {"name": None, "x_mm": 18.4, "y_mm": 18.8},
        ),
    ] = None
    person: Annotated[str | None, described("Who gauged, as they like.", NO_UNIT, "M", **_WHO)] = (
        None
    )
    gauge: Annotated[str | None, described("Which gauge.", NO_UNIT, "dial gauge", **_WHO)] = None

    def draft(self, at: PlaceOnPlate | None = None) -> GaugeDraft:
        """Return what the person read. A value that they left out is None.

        :param at: the place that ``at`` means.
        """
        return GaugeDraft(
            self.spots_mm,
            self.place,
            self.from_resist_top,
            self.resolution_mm,
            self.charge_coulombs,
            at,
            self.person,
            self.gauge,
        )


class WeighingBody(_ReadingBody):
    """Metal lost: the sheet weighed bare before lamination and after stripping."""

    kind: Annotated[Literal["weighing"], described("What it is.", NO_UNIT, "weighing")]
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
                "http.reading.nothing_lost",
                field="after_g",
                after_g=self.after_g,
                before_g=self.before_g,
            )
        return WeighingDraft(lost_g, self.resolution_g, self.charge_coulombs)


ReadingBody = Annotated[GaugeBody | WeighingBody, Discriminator("kind")]


class WithdrawalBody(RequestModel):
    """Why a reading does not count."""

    why: Annotated[
        str,
        described(
            "The reason.",
            NO_UNIT,
            "gauged the wrong piece",
            min_length=1,
            max_length=200,
            pattern=PLAIN_TEXT,
        ),
    ]
