"""Baths: their description, the charge they carried, and what their readings show."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated

from pydantic import field_validator

from api.http.models.base import (
    DAY,
    NAME,
    NO_UNIT,
    PLAIN_TEXT,
    Answer,
    RequestModel,
    described,
    example_of,
    number,
)
from controller.errors import RefusedError
from controller.physics.attack import COLDEST_DEGC, HOTTEST_DEGC, UPPER_SIGMA
from controller.physics.coupon import Coupon
from controller.physics.nitric_acid import MOST_WATER_PARTS, WEAKEST_BOTTLE_PERCENT
from controller.recording.bath_card import AcidCard
from controller.recording.baths import MAX_NAME, BathState
from controller.units import mm2_to_cm2


class BathBody(RequestModel):
    """A bath, new or known. The newest description of a name is valid."""

    name: Annotated[
        str,
        described(
            "Name of the bath.",
            NO_UNIT,
            "silver bath of March",
            min_length=1,
            max_length=MAX_NAME,
            pattern=PLAIN_TEXT,
        ),
    ]
    metal: Annotated[
        str,
        described(
            "The one metal that it etches, see /api/metals.",
            NO_UNIT,
            "fine-silver",
            max_length=40,
            pattern=NAME,
        ),
    ]
    acid: Annotated[
        str,
        described(
            "Acid and strength.",
            NO_UNIT,
            "nitric acid, 1 part in 10",
            max_length=120,
            pattern=PLAIN_TEXT,
        ),
    ] = ""
    volume_l: Annotated[
        float | None, number("Volume; null when not known.", "L", 1.0, gt=0.0, le=1e4)
    ] = None
    made_up_on: Annotated[
        str | None,
        described("Day on which it was made up (ISO 8601).", NO_UNIT, "2026-03-01", pattern=DAY),
    ] = None
    water_parts: Annotated[
        float | None,
        number(
            "Parts of water to 1 part of acid, by volume; null when not known.",
            NO_UNIT,
            10.0,
            gt=0.0,
            le=MOST_WATER_PARTS,
        ),
    ] = None
    bottle_percent: Annotated[
        float | None,
        number(
            "Percentage of acid on the bottle's label, by mass; null for a usual one of 65 %.",
            NO_UNIT,
            65.0,
            ge=WEAKEST_BOTTLE_PERCENT,
            le=100.0,
        ),
    ] = None
    usual_degc: Annotated[
        float | None,
        number(
            "Usual temperature of the bath; null when not known.",
            "degC",
            22.0,
            ge=COLDEST_DEGC,
            le=HOTTEST_DEGC,
        ),
    ] = None
    note: Annotated[
        str,
        described("Anything else.", NO_UNIT, "topped up twice", max_length=500, pattern=PLAIN_TEXT),
    ] = ""
    is_retired: Annotated[
        bool,
        described(
            "Spent: kept for its history, and no longer offered.", NO_UNIT, False, strict=True
        ),
    ] = False

    @field_validator("name")
    @classmethod
    def _refuse_dots(cls, name: str) -> str:
        """Refuse a name that a browser would resolve as a part of an address."""
        if name.strip() in (".", ".."):
            raise RefusedError("http.bath.dots", field="name")
        return name

    def card(self) -> AcidCard:
        """Return what the card says about the acid."""
        return AcidCard(self.water_parts, self.bottle_percent, self.usual_degc)


class CouponBody(RequestModel):
    """A weighed coupon: bare metal that hung in the bath without current."""

    bath: Annotated[
        str,
        described(
            "Name of the bath.",
            NO_UNIT,
            "copper tank",
            min_length=1,
            max_length=MAX_NAME,
            pattern=PLAIN_TEXT,
        ),
    ]
    area_mm2: Annotated[
        float,
        number("All of its bare surface: front, back and edges.", "mm2", 2000.0, gt=0.0, le=1e6),
    ]
    time_s: Annotated[float, number("Time in the bath.", "s", 3600.0, gt=0.0, le=1e6)]
    lost_g: Annotated[
        float,
        number(
            "Weight before less weight after, rinsed and dry.", "g", 0.16, ge=-1000.0, le=1000.0
        ),
    ]
    temperature_degc: Annotated[
        float | None,
        number(
            "Temperature of the bath; null when not measured.", "degC", 21.0, ge=-50.0, le=150.0
        ),
    ] = None
    resolution_g: Annotated[
        float, number("Smallest step of the scale.", "g", 0.01, gt=0.0, le=100.0)
    ] = 0.01

    def coupon(self) -> Coupon:
        """Return the coupon."""
        return Coupon(
            mm2_to_cm2(self.area_mm2),
            self.time_s / 60.0,
            self.lost_g,
            self.temperature_degc,
            self.resolution_g,
        )


class BathAnswer(Answer):
    """A bath, its charge so far, and what its readings show."""

    name: Annotated[str, described("Name of the bath.", NO_UNIT, "silver bath of March")]
    metal: Annotated[str, described("The one metal that it etches.", NO_UNIT, "fine-silver")]
    acid: Annotated[str, described("Acid and strength.", NO_UNIT, "nitric acid, 1 part in 10")]
    volume_l: Annotated[float | None, described("Volume; null when not known.", "L", 1.0)]
    made_up_on: Annotated[
        str | None, described("Day on which it was made up (ISO 8601).", NO_UNIT, "2026-03-01")
    ]
    note: Annotated[str, described("Anything else.", NO_UNIT, "topped up twice")]
    is_retired: Annotated[bool, described("Spent: no longer offered.", NO_UNIT, False)]
    saved_at_utc: Annotated[
        datetime,
        described("Wall time of this description, a label.", NO_UNIT, "2026-03-01T08:00:00Z"),
    ]
    water_parts: Annotated[
        float | None,
        described("Parts of water to 1 part of acid; null when not known.", NO_UNIT, 10.0),
    ]
    bottle_percent: Annotated[
        float | None,
        described("Percentage of acid on the bottle's label; null when not known.", NO_UNIT, 65.0),
    ]
    usual_degc: Annotated[
        float | None, described("Usual temperature; null when not known.", "degC", 22.0)
    ]
    acid_mol_per_l: Annotated[
        float | None, described("Strength of the acid; null when not known.", "mol/L", 1.32)
    ]
    attack_um_per_min: Annotated[
        float, described("What the acid dissolves by itself, best estimate.", "um/min", 0.05)
    ]
    attack_low_um_per_min: Annotated[float, described("Its 2.5 % point.", "um/min", 0.007)]
    attack_high_um_per_min: Annotated[float, described("Its 97.5 % point.", "um/min", 0.355)]
    attack_source: Annotated[
        str,
        described(
            "Where it comes from: coupon, strength (of the acid), or metal (nothing else known).",
            NO_UNIT,
            "strength",
        ),
    ]
    attack_weighed_at_utc: Annotated[
        datetime | None,
        described("When a coupon was weighed; null without one.", NO_UNIT, "2026-03-02T09:00:00Z"),
    ]
    runs: Annotated[int, described("Runs in this bath.", NO_UNIT, 4)]
    charge_ah: Annotated[float, described("Charge of these runs.", "Ah", 1.98)]
    dissolved_g: Annotated[
        float,
        described(
            "Metal dissolved in it, by Faraday's law with the learned bite factor.", "g", 7.94
        ),
    ]
    readings: Annotated[int, described("Gauge readings and weighings that count.", NO_UNIT, 5)]
    bite_factor: Annotated[
        float,
        described(
            "Metal removed over Faraday's prediction, best estimate for the next run.",
            NO_UNIT,
            0.97,
        ),
    ]
    bite_factor_sd: Annotated[
        float, described("Standard deviation of its logarithm.", NO_UNIT, 0.058)
    ]
    etch_factor: Annotated[
        float, described("Depth over undercut per side, best estimate.", NO_UNIT, 1.2)
    ]
    etch_factor_low: Annotated[float, described("Its 10 % point.", NO_UNIT, 0.81)]
    etch_factor_high: Annotated[float, described("Its 90 % point.", NO_UNIT, 1.79)]
    spread_fraction: Annotated[
        float,
        described("Run-to-run spread of the bite factor, as its readings show it.", NO_UNIT, 0.05),
    ]
    fresh_acid_at_utc: Annotated[
        datetime | None,
        described("Wall time of the last fresh acid, a label.", NO_UNIT, "2026-03-20T09:00:00Z"),
    ]

    @classmethod
    def of(cls, state: BathState) -> BathAnswer:
        """Return a bath."""
        values = asdict(state)
        bath = values.pop("bath")
        for name in ("run_id", "attack_sd_ln", "attack_degc"):
            bath.pop(name, None)
        values.pop("attack_rate")
        rate = state.attack_rate
        attack = {
            "attack_um_per_min": rate.um_per_min,
            "attack_low_um_per_min": rate.at_sigma(-UPPER_SIGMA),
            "attack_high_um_per_min": rate.at_sigma(UPPER_SIGMA),
            "attack_source": rate.source,
        }
        return cls.model_validate({**bath, **values, **attack})


class FreshAcidBody(RequestModel):
    """Fresh acid for a bath."""

    bath: Annotated[
        str,
        described(
            "Name of the bath.",
            NO_UNIT,
            "copper tank",
            min_length=1,
            max_length=MAX_NAME,
            pattern=PLAIN_TEXT,
        ),
    ]
    note: Annotated[
        str,
        described(
            "Anything about it.", NO_UNIT, "half renewed", max_length=500, pattern=PLAIN_TEXT
        ),
    ] = ""


class BathList(Answer):
    """The baths, newest first."""

    baths: Annotated[
        tuple[BathAnswer, ...],
        described("The baths, retired ones too.", NO_UNIT, [example_of(BathAnswer)]),
    ]
