"""What all tables of the configuration have in common."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from controller.errors import RefusedError
from controller.texts import Message

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0.0, lt=1.0, allow_inf_nan=False)]


class Section(BaseModel):
    """A table of the file. It is frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, str_strip_whitespace=True)


class ContradictionError(RefusedError):
    """Keys of one table that contradict each other.

    :param problems: every one of them; the first is the error's own message.
    """

    def __init__(self, problems: Sequence[Message]) -> None:
        super().__init__(problems[0].key)
        self.message = problems[0]
        self.problems = tuple(problems)


def refuse_all(problems: Sequence[Message]) -> None:
    """Raise ContradictionError when there are problems."""
    if problems:
        raise ContradictionError(problems)
