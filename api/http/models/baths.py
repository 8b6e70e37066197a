"""Baths: how a person describes one, and what has become of it."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated

from pydantic import field_validator

from api.http.models.base import (
    NAME,
    NO_UNIT,
    PLAIN_TEXT,
    Answer,
    RequestModel,
    example_of,
    number,
    said,
)
from controller.recording.baths import MAX_NAME, BathState

DAY = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"


class BathBody(RequestModel):
    """A bath, new or known: the newest description of a name holds."""

    name: Annotated[
        str,
        said(
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
        said(
            "The one metal that it etches, see /api/metals.",
            NO_UNIT,
            "fine-silver",
            max_length=40,
            pattern=NAME,
        ),
    ]
    acid: Annotated[
        str,
        said(
            "Acid and strength.",
            NO_UNIT,
            "nitric acid, 1 part in 10",
            max_length=120,
            pattern=PLAIN_TEXT,
        ),
    ] = ""
    volume_l: Annotated[
        float | None, number("Volume; null when not told.", "L", 1.0, gt=0.0, le=1e4)
    ] = None
    made_up_on: Annotated[
        str | None,
        said("Day on which it was made up (ISO 8601).", NO_UNIT, "2026-03-01", pattern=DAY),
    ] = None
    note: Annotated[
        str, said("Anything else.", NO_UNIT, "topped up twice", max_length=500, pattern=PLAIN_TEXT)
    ] = ""
    is_retired: Annotated[
        bool, said("Spent: kept for its history and offered no more.", NO_UNIT, False, strict=True)
    ] = False

    @field_validator("name")
    @classmethod
    def _can_stand_in_an_address(cls, name: str) -> str:
        if name.strip() in (".", ".."):
            raise ValueError(
                "a name of dots only means another address to a browser: choose a word"
            )
        return name


class BathTold(Answer):
    """A bath and what has become of it."""

    name: Annotated[str, said("Name of the bath.", NO_UNIT, "silver bath of March")]
    metal: Annotated[str, said("The one metal that it etches.", NO_UNIT, "fine-silver")]
    acid: Annotated[str, said("Acid and strength.", NO_UNIT, "nitric acid, 1 part in 10")]
    volume_l: Annotated[float | None, said("Volume; null when not told.", "L", 1.0)]
    made_up_on: Annotated[
        str | None, said("Day on which it was made up (ISO 8601).", NO_UNIT, "2026-03-01")
    ]
    note: Annotated[str, said("Anything else.", NO_UNIT, "topped up twice")]
    is_retired: Annotated[bool, said("Spent: offered no more.", NO_UNIT, False)]
    saved_at_utc: Annotated[
        datetime, said("Wall time of this description, a label.", NO_UNIT, "2026-03-01T08:00:00Z")
    ]
    runs: Annotated[int, said("Runs that it has seen.", NO_UNIT, 4)]
    charge_ah: Annotated[float, said("Charge that they carried.", "Ah", 1.98)]
    dissolved_g: Annotated[
        float, said("Metal that went into it, by Faraday at the learned bite factor.", "g", 7.94)
    ]
    readings: Annotated[int, said("Gauge readings and weighings that stand.", NO_UNIT, 5)]
    bite_factor: Annotated[
        float,
        said("Metal really removed over Faraday's, best estimate for the next run.", NO_UNIT, 0.97),
    ]
    bite_factor_sd: Annotated[float, said("Standard deviation of its logarithm.", NO_UNIT, 0.058)]
    etch_factor: Annotated[
        float, said("Depth over undercut per side, best estimate.", NO_UNIT, 1.2)
    ]
    etch_factor_low: Annotated[float, said("Its 10 % point.", NO_UNIT, 0.81)]
    etch_factor_high: Annotated[float, said("Its 90 % point.", NO_UNIT, 1.79)]

    @classmethod
    def of(cls, state: BathState) -> BathTold:
        """Return a bath."""
        values = asdict(state)
        bath = values.pop("bath")
        bath.pop("run_id", None)
        return cls.model_validate({**bath, **values})


class BathList(Answer):
    """The baths, newest first."""

    baths: Annotated[
        tuple[BathTold, ...], said("The baths, retired ones too.", NO_UNIT, [example_of(BathTold)])
    ]
