"""How a delivery ended, and what is known of each service: no secret is in either."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict

from api.messenger.ending import Ending
from controller.texts import text

FINAL = frozenset({Ending.SENT, Ending.UNKNOWN_ADDRESS, Ending.NOT_INSTALLED})
"""Trying again changes nothing."""

FOR_A_WHILE = frozenset({408, 425, 429})
"""Refusals below 500 that may pass. Source: RFC 9110 section 15.5, RFC 8470, RFC 6585."""


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Outcome(_Value):
    """One delivery.

    :param status: the service's HTTP status where it refused, or None.
    """

    ending: Ending
    status: int | None = None

    @property
    def is_final(self) -> bool:
        """Whether trying again changes nothing."""
        if self.ending is Ending.REFUSED and self.status is not None:
            return self.status < 500 and self.status not in FOR_A_WHILE
        return self.ending in FINAL

    def __str__(self) -> str:
        if self.ending is Ending.REFUSED and self.status is not None:
            return text("message.outcome.refused_with_status", status=self.status)
        return text(f"message.outcome.{self.ending.value}")


class ServiceState(_Value):
    """What is known of one service.

    :param waiting: messages that wait for it.
    :param lost: messages given up or dropped since the messenger started.
    :param outcome: of the newest delivery, or None before the first.
    """

    position: int
    name: str
    waiting: int = 0
    lost: int = 0
    outcome: Outcome | None = None
    sent_at_utc: datetime | None = None
    failed_at_utc: datetime | None = None

    @property
    def line(self) -> str:
        """The state in one sentence."""
        if self.outcome is None:
            return text("message.service.untried", name=self.name, position=self.position)
        return text(
            "message.service.tried",
            name=self.name,
            position=self.position,
            outcome=str(self.outcome),
        )


class Report(_Value):
    """What the messenger answers.

    :param problem: why nothing is sent, in a sentence without secrets, or None.
    :param is_set_up: whether there is a file that can be used.
    :param is_busy: whether a test was refused because one is under way.
    """

    version: Literal[1] = 1
    is_set_up: bool
    problem: str | None = None
    is_busy: bool = False
    services: tuple[ServiceState, ...] = ()

    @property
    def is_well(self) -> bool:
        """Whether the newest delivery to each service was sent."""
        outcomes = [service.outcome for service in self.services]
        return self.is_set_up and all(
            it is not None and it.ending is Ending.SENT for it in outcomes
        )

    @property
    def message(self) -> str:
        """What a person should know first."""
        if self.problem is not None:
            return self.problem
        if not self.is_set_up:
            return text("message.setup.none")
        if self.is_busy:
            return text("message.report.busy")
        if self.is_well:
            return text("message.report.well")
        has_failed = any(
            it.outcome and it.outcome.ending is not Ending.SENT for it in self.services
        )
        return text("message.report.failed" if has_failed else "message.report.set_up")
