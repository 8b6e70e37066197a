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
from controller.recording.baths import MAX_NAME, BathState


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
        bath.pop("run_id", None)
        return cls.model_validate({**bath, **values})


class FreshAcidBody(RequestModel):
    """Fresh acid for a bath."""

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
