"""The tables of the loop, the server, the logbook, the messages, the artworks and the metals."""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from controller.config.section import Section
from controller.errors import RefusedError

HOST_FORM = r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$"
HostName = Annotated[str, Field(pattern=HOST_FORM)]

MOST_NAME_CHARACTERS = 40
"""Longest name of a bench: a line of a phone."""

INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories of signs that cannot be seen or that change the direction of writing."""


class LoopSettings(Section):
    """Rates of the loop."""

    poll_s: float = Field(
        0.02,
        ge=0.005,
        le=0.1,
        description="Poll period, s: several polls for each conversion of the sensor.",
    )
    age_check_s: float = Field(
        0.05, ge=0.01, le=0.5, description="Period of the independent age watch, s."
    )
    offset_samples: int = Field(
        16, ge=4, le=200, description="Conversions averaged for the zero offset."
    )


class ServerSettings(Section):
    """Where the page and the API listen, and who may look.

    Control always needs pairing, Stop never.
    """

    listen: Literal["loopback", "studio-network"] = Field(
        "loopback",
        description="loopback: the Pi alone; studio-network: also the phones of the studio.",
    )
    port: int = Field(8420, ge=1024, le=65535)
    name: str | None = Field(
        None,
        description=(
            "Name of the bench on the page, in the tab and beside the QR code, or none. At most "
            "40 characters."
        ),
    )
    view_needs_pairing: bool = Field(
        False, description="Looking needs pairing too, except on the Pi itself."
    )
    hosts: tuple[HostName, ...] = Field(
        (),
        strict=False,
        description="More host names of the Pi, beside its own name, name.local and its addresses.",
    )

    @field_validator("name")
    @classmethod
    def _shown(cls, name: str | None) -> str | None:
        """Refuse a name that is empty, too long for a phone, or partly invisible."""
        if name is not None and not 1 <= len(name) <= MOST_NAME_CHARACTERS:
            raise RefusedError(
                "config.name_length", characters=len(name), most=MOST_NAME_CHARACTERS
            )
        unseen = [sign for sign in name or "" if unicodedata.category(sign) in INVISIBLE]
        if unseen:
            raise RefusedError("config.name_sign", code=f"U+{ord(unseen[0]):04X}")
        return name


class LogbookSettings(Section):
    """Where the records are kept."""

    path: Path = Field(
        Path("biteclock.sqlite"),
        strict=False,
        description="The SQLite file; relative to the state directory.",
    )
    when_full: Literal["warn", "trip"] = Field(
        "warn", description="What a full or failing store does to a run."
    )


DEFAULT_EVENTS_SOCKET = Path("/run/biteclock-messages/events.sock")


class MessageSettings(Section):
    """Where the daemon writes what happens, for the messenger. The messenger has its own file."""

    socket: Path = Field(
        DEFAULT_EVENTS_SOCKET,
        strict=False,
        description="The messenger's socket. Without one, nothing is sent.",
    )
    in_rehearsals: bool = Field(False, description="Send news of rehearsals too.")


class ArtworkSettings(Section):
    """How uploaded artworks are read."""

    accept_unconfined_worker: bool = Field(
        False,
        description="Read artworks also where this system cannot confine the program that does it: "
        "a harmful file can then command the bench.",
    )


class MetalSettings(Section):
    """A user's own figures for a metal."""

    density_g_per_cm3: float | None = Field(
        None, gt=1.0, lt=25.0, description="Density of the user's own sheet."
    )
    etch_factor: float | None = Field(
        None, gt=0.2, lt=10.0, description="Depth over undercut per side."
    )
