"""What all tables of the configuration have in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0.0, lt=1.0, allow_inf_nan=False)]


class Section(BaseModel):
    """A table of the file. It is frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, str_strip_whitespace=True)
