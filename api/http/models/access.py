"""Pairing: who may control, and what a new device needs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated

from api.access.auth import Caller
from api.access.pairing_code import PairingCode
from api.access.pairing_store import Pairing
from api.http.models.base import (
    NO_UNIT,
    PIN,
    PLAIN_TEXT,
    Answer,
    RequestModel,
    described,
    example_of,
)


class PairBody(RequestModel):
    """The PIN from ``biteclock pair`` or from the Rig screen of a paired device."""

    pin: Annotated[
        str,
        described(
            "Six digits. Spaces between them are ignored.",
            NO_UNIT,
            "123456",
            max_length=20,
            pattern=PIN,
        ),
    ]
    name: Annotated[
        str,
        described(
            "Name of the device, for the list.",
            NO_UNIT,
            "phone on the easel",
            max_length=60,
            pattern=PLAIN_TEXT,
        ),
    ] = ""


class PairingAnswer(Answer):
    """A paired device."""

    pairing_id: Annotated[str, described("Name of the pairing.", NO_UNIT, "5f0c77a1d2e3")]
    name: Annotated[str, described("Name of the device.", NO_UNIT, "phone on the easel")]
    paired_at_utc: Annotated[
        datetime, described("Wall time of the pairing, a label.", NO_UNIT, "2026-03-14T08:40:00Z")
    ]
    expires_at_utc: Annotated[
        datetime, described("Wall time at which it ends.", NO_UNIT, "2026-06-12T08:40:00Z")
    ]
    paired_from: Annotated[
        str | None,
        described("Address from which it was paired; null if unknown.", NO_UNIT, "192.168.1.31"),
    ]
    is_this_one: Annotated[bool, described("Whether this device sent the request.", NO_UNIT, True)]

    @classmethod
    def of(cls, pairing: Pairing, caller: Caller | None) -> PairingAnswer:
        """Return a pairing."""
        known = {name: getattr(pairing, name) for name in cls.model_fields if name != "is_this_one"}
        own = None if caller is None or caller.pairing is None else caller.pairing.pairing_id
        return cls(**known, is_this_one=own == pairing.pairing_id)


class PairingList(Answer):
    """The paired devices."""

    pairings: Annotated[
        tuple[PairingAnswer, ...], described("Oldest first.", NO_UNIT, [example_of(PairingAnswer)])
    ]

    @classmethod
    def of(cls, pairings: Iterable[Pairing], caller: Caller | None) -> PairingList:
        """Return the list."""
        return cls(pairings=tuple(PairingAnswer.of(pairing, caller) for pairing in pairings))


class AccessAnswer(Answer):
    """What this device may do. Everybody may stop."""

    may_view: Annotated[bool, described("Whether it may look.", NO_UNIT, True)]
    may_control: Annotated[bool, described("Whether it may control.", NO_UNIT, True)]
    pairing: Annotated[
        PairingAnswer | None,
        described(
            "Its pairing; null without one, and for a program with the daemon's own token.",
            NO_UNIT,
            example_of(PairingAnswer),
        ),
    ]
    pin_wait_s: Annotated[
        int, described("Time until a PIN is accepted again; 0 when one is accepted now.", "s", 0)
    ]


class PairingCodeAnswer(Answer):
    """What another device needs to be paired."""

    pin: Annotated[
        str,
        described(
            "The PIN. It expires after valid_s, 10 min after first use, and at each revocation.",
            NO_UNIT,
            "123456",
        ),
    ]
    name: Annotated[
        str | None,
        described("Name of the bench; null without one.", NO_UNIT, "the big bath"),
    ]
    valid_s: Annotated[int, described("Time until the PIN expires.", "s", 86_400)]
    addresses: Annotated[
        tuple[str, ...],
        described(
            "Addresses of the page, the one in the code first.",
            NO_UNIT,
            ["http://192.168.1.20:8420/"],
        ),
    ]
    url: Annotated[
        str,
        described(
            "That address with the PIN in its fragment.",
            NO_UNIT,
            "http://192.168.1.20:8420/#pin=123456",
        ),
    ]
    qr_svg: Annotated[
        str,
        described("The same as a QR code, an SVG image without a size.", NO_UNIT, "<svg/>"),
    ]

    @classmethod
    def of(cls, code: PairingCode, valid_s: int, name: str | None) -> PairingCodeAnswer:
        """Return a pairing code.

        :param name: of the bench, or None.
        :param valid_s: time until its PIN ends, s.
        """
        return cls(
            pin=code.pin,
            name=name,
            valid_s=valid_s,
            addresses=code.addresses,
            url=code.url,
            qr_svg=code.svg(),
        )
