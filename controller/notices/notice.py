"""One piece of news, small enough for one datagram."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from controller.messages import Finding, TripReason

VERSION: Final = 1
"""Version of the datagram. Another one is refused: daemon and messenger are updated together."""

MAX_BYTES: Final = 4096
"""Largest datagram, bytes. A notice with the longest names and figures takes less than half."""

NAME_LENGTH: Final = 80
"""Longest name of a bench or a piece in a notice; a lock screen shows about 40 characters."""

Seconds = Annotated[float, Field(ge=0.0, le=1e6, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0.0, le=1e3, allow_inf_nan=False)]
Name = Annotated[str, Field(max_length=NAME_LENGTH)]


class NoticeKind(StrEnum):
    """What a notice is about. The names are those of ``on`` in messages.toml; TEST is always on."""

    STARTED = "started"
    TWO_MINUTES_LEFT = "two_minutes_left"
    GAUGE_STOP = "gauge_stop"
    FINISHED = "finished"
    PAUSED = "paused"
    STOPPED = "stopped"
    BATH_HOT = "bath_hot"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"
    TEST = "test"


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Found(_Value):
    """A finding without its cause, which may be long.

    :param value: in ``unit``, as ``limit``.
    """

    reason: TripReason
    value: float | None = None
    limit: float | None = None
    unit: str = Field("", max_length=8)
    case: str = Field("what", pattern=r"^[a-z_]{1,40}$")

    @classmethod
    def of(cls, finding: Finding) -> Found:
        """Return the values of a finding. Its cause is left out."""
        return cls(
            reason=finding.reason,
            value=finding.value,
            limit=finding.limit,
            unit=finding.unit,
            case=finding.case,
        )

    @property
    def finding(self) -> Finding:
        """The finding, without a cause."""
        return Finding(self.reason, self.value, self.limit, self.unit, self.case)


class Notice(_Value):
    """What happened.

    :param case: chooses the sentence where a kind has several, as in the catalogue.
    :param at_utc: when, or None while the clock of the Pi is not set.
    :param remaining_s: time until the target at the present current, or None.
    :param until_stop_s: time until the next gauge stop, or None without one.
    :param late_fraction: how many times as long a run may take before the rig ends it itself.
    """

    version: Literal[1] = VERSION
    kind: NoticeKind
    case: str = Field("plain", pattern=r"^[a-z_]{1,20}$")
    at_utc: datetime | None = None
    bench: Name = ""
    run_id: Name | None = None
    piece: Name | None = None
    depth_mm: Length | None = None
    gauge_stop_mm: Length | None = None
    remaining_s: Seconds | None = None
    until_stop_s: Seconds | None = None
    late_fraction: float = Field(1.0, ge=1.0, le=100.0)
    bath_degc: float | None = None
    found: Found | None = None

    def to_datagram(self) -> bytes:
        """Return the notice as JSON."""
        return self.model_dump_json(exclude_none=True).encode()

    @classmethod
    def from_datagram(cls, data: bytes) -> Notice | None:
        """Return the notice in a datagram, or None when it holds none."""
        try:
            return cls.model_validate_json(data)
        except ValidationError:
            return None


def short(name: str | None) -> str | None:
    """Return a name on one line and no longer than a notice may hold."""
    if name is None:
        return None
    line = " ".join("".join(it if it.isprintable() else " " for it in name).split())
    return line if len(line) <= NAME_LENGTH else line[: NAME_LENGTH - 1] + "…"
