"""Pairing: who may control, and how a device comes to it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated

from api.access.auth import Caller
from api.access.invitation import Invitation
from api.access.pairing_book import Pairing
from api.http.models.base import NO_UNIT, PIN, PLAIN_TEXT, Answer, RequestModel, example_of, said


class PairBody(RequestModel):
    """The PIN that stands at the bench."""

    pin: Annotated[
        str,
        said(
            "Six digits; spaces between them do not count.",
            NO_UNIT,
            "123456",
            max_length=20,
            pattern=PIN,
        ),
    ]
    name: Annotated[
        str,
        said(
            "Name of the device, for the list.",
            NO_UNIT,
            "phone on the easel",
            max_length=60,
            pattern=PLAIN_TEXT,
        ),
    ] = ""


class PairingTold(Answer):
    """A paired device."""

    pairing_id: Annotated[str, said("Name of the pairing.", NO_UNIT, "5f0c77a1d2e3")]
    name: Annotated[str, said("Name of the device.", NO_UNIT, "phone on the easel")]
    paired_at_utc: Annotated[
        datetime, said("Wall time of the pairing, a label.", NO_UNIT, "2026-03-14T08:40:00Z")
    ]
    expires_at_utc: Annotated[
        datetime, said("Wall time at which it ends.", NO_UNIT, "2026-06-12T08:40:00Z")
    ]
    is_this_one: Annotated[bool, said("Whether it is the device that asks.", NO_UNIT, True)]

    @classmethod
    def of(cls, pairing: Pairing, caller: Caller | None) -> PairingTold:
        """Return a pairing."""
        known = {name: getattr(pairing, name) for name in cls.model_fields if name != "is_this_one"}
        own = None if caller is None or caller.pairing is None else caller.pairing.pairing_id
        return cls(**known, is_this_one=own == pairing.pairing_id)


class PairingList(Answer):
    """The paired devices."""

    pairings: Annotated[
        tuple[PairingTold, ...], said("Oldest first.", NO_UNIT, [example_of(PairingTold)])
    ]

    @classmethod
    def of(cls, pairings: Iterable[Pairing], caller: Caller | None) -> PairingList:
        """Return the list."""
        return cls(pairings=tuple(PairingTold.of(pairing, caller) for pairing in pairings))


class AccessAnswer(Answer):
    """What this device may do. Stop it always may."""

    may_view: Annotated[bool, said("Whether it may look.", NO_UNIT, True)]
    may_control: Annotated[bool, said("Whether it may control.", NO_UNIT, True)]
    pairing: Annotated[
        PairingTold | None,
        said(
            "Its pairing; null when it has none, or is the bench itself.",
            NO_UNIT,
            example_of(PairingTold),
        ),
    ]
    pin_wait_s: Annotated[int, said("Time until a PIN is taken again; 0 when one is.", "s", 0)]


class InvitationAnswer(Answer):
    """How another device is paired."""

    pin: Annotated[str, said("The PIN; new at each start of the daemon.", NO_UNIT, "123456")]
    addresses: Annotated[
        tuple[str, ...],
        said(
            "Addresses of the page, the one in the code first.",
            NO_UNIT,
            ["http://192.168.1.20:8420/"],
        ),
    ]
    url: Annotated[
        str,
        said(
            "That address with the PIN in its fragment.",
            NO_UNIT,
            "http://192.168.1.20:8420/#pin=123456",
        ),
    ]
    qr_svg: Annotated[
        str,
        said("The same as a QR code, an SVG image without a size of its own.", NO_UNIT, "<svg/>"),
    ]

    @classmethod
    def of(cls, invitation: Invitation) -> InvitationAnswer:
        """Return an invitation."""
        return cls(
            pin=invitation.pin,
            addresses=invitation.addresses,
            url=invitation.url,
            qr_svg=invitation.svg(),
        )
