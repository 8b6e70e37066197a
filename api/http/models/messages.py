"""Messages to people who have left the room: whether they are set up, and how the latest went."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described
from api.messenger.outcome import Report, ServiceState


class MessageService(Answer):
    """One service that messages go to. Its address is a secret and is left out."""

    position: Annotated[int, described("Place of its address in the file.", NO_UNIT, 1)]
    name: Annotated[str, described("Kind of service.", NO_UNIT, "mqtt")]
    line: Annotated[
        str, described("How the latest delivery went.", NO_UNIT, "mqtt (address 1): sent")
    ]
    waiting: Annotated[int, described("Messages waiting for it.", NO_UNIT, 0)]
    lost: Annotated[int, described("Messages given up since the messenger started.", NO_UNIT, 0)]
    sent_at_utc: Annotated[
        datetime | None,
        described("When a message was last sent, a label.", NO_UNIT, "2026-03-14T09:20:01Z"),
    ]
    failed_at_utc: Annotated[
        datetime | None, described("When one last failed, a label.", NO_UNIT, None)
    ]

    @classmethod
    def of(cls, state: ServiceState) -> MessageService:
        """Return the state of a service."""
        return cls(
            position=state.position,
            name=state.name,
            line=state.line,
            waiting=state.waiting,
            lost=state.lost,
            sent_at_utc=state.sent_at_utc,
            failed_at_utc=state.failed_at_utc,
        )


class MessagesAnswer(Answer):
    """What the messenger says."""

    is_set_up: Annotated[bool, described("Whether messages are set up.", NO_UNIT, True)]
    is_well: Annotated[
        bool, described("Whether the latest delivery to each service was sent.", NO_UNIT, True)
    ]
    message: Annotated[
        str, described("What to know, or what to do.", NO_UNIT, "Messages reach you.")
    ]
    services: Annotated[
        tuple[MessageService, ...],
        described(
            "The services.",
            NO_UNIT,
            [
                {
                    "position": 1,
                    "name": "mqtt",
                    "line": "mqtt (address 1): sent",
                    "waiting": 0,
                    "lost": 0,
                    "sent_at_utc": "2026-03-14T09:20:01Z",
                    "failed_at_utc": None,
                }
            ],
        ),
    ]

    @classmethod
    def of(cls, report: Report) -> MessagesAnswer:
        """Return what the messenger reports."""
        return cls(
            is_set_up=report.is_set_up,
            is_well=report.is_well,
            message=report.message,
            services=tuple(MessageService.of(it) for it in report.services),
        )
