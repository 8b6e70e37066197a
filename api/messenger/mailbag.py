"""The messages that wait for one service: in order, bounded, tried again with growing waits."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from datetime import datetime

from api.messenger.ending import Ending
from api.messenger.outcome import Outcome, ServiceState
from api.messenger.settings import Service
from controller.notices.notice import Notice, NoticeKind

MOST_WAITING = 20
"""Most messages that wait for a service: more than one long run with all its stops gives."""

WAITS_S = (10.0, 30.0, 90.0, 270.0, 810.0)
"""Waits between tries, s: six tries over 20 minutes, so that a router may restart."""

FEWEST_S = 10.0
"""Shortest wait after a failed try, s, also when another message comes."""

RANK = {
    NoticeKind.TRIPPED: 3,
    NoticeKind.INTERRUPTED: 3,
    NoticeKind.PAUSED: 2,
    NoticeKind.BATH_HOT: 2,
    NoticeKind.GAUGE_STOP: 2,
    NoticeKind.FINISHED: 2,
}
"""What is kept when there is no room; 1 for the others."""


@dataclass(slots=True)
class Item:
    """A message that waits.

    :param came_at_s: monotonic time at which the notice came.
    """

    notice: Notice
    came_at_s: float
    tries: int = 0

    @property
    def rank(self) -> int:
        """How much it matters."""
        return RANK.get(self.notice.kind, 1)


class Mailbag:
    """The messages for one service. Time comes in with each call."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.in_flight: Item | None = None
        self._waiting: deque[Item] = deque()
        self._due_s = -math.inf
        self._earliest_s = -math.inf
        self._lost = 0
        self._outcome: Outcome | None = None
        self._sent_at_utc: datetime | None = None
        self._failed_at_utc: datetime | None = None

    def put(self, item: Item) -> Item | None:
        """Add a message; return the one that was dropped for want of room, or None.

        The oldest of those that matter least is dropped. A new message ends a long wait.
        """
        self._waiting.append(item)
        self._due_s = self._earliest_s
        if len(self._waiting) <= MOST_WAITING:
            return None
        least = min(self._waiting, key=lambda it: it.rank)
        self._waiting.remove(least)
        self._lost += 1
        return least

    def due_s(self) -> float:
        """Return when the next try is due: monotonic s, or infinity when nothing waits."""
        if self.in_flight is not None or not self._waiting:
            return math.inf
        return self._due_s

    def take(self) -> Item:
        """Return the next message, which is now in flight. Call it when it is due."""
        self.in_flight = self._waiting.popleft()
        self.in_flight.tries += 1
        return self.in_flight

    def end(self, outcome: Outcome, now_s: float, now_utc: datetime) -> bool:
        """Take the outcome of the message in flight; return whether it is tried again."""
        item, self.in_flight = self.in_flight, None
        self.note(outcome, now_utc)
        if item is None or outcome.ending is Ending.SENT:
            self._due_s = self._earliest_s = -math.inf
            return False
        self._earliest_s = now_s + FEWEST_S
        if outcome.is_final or item.tries > len(WAITS_S):
            self._lost += 1
            self._due_s = self._earliest_s
            return False
        self._waiting.appendleft(item)
        self._due_s = now_s + WAITS_S[item.tries - 1]
        return True

    def note(self, outcome: Outcome, now_utc: datetime) -> None:
        """Remember an outcome, of a test too."""
        self._outcome = outcome
        if outcome.ending is Ending.SENT:
            self._sent_at_utc = now_utc
        else:
            self._failed_at_utc = now_utc

    def state(self) -> ServiceState:
        """Return what is known of the service."""
        return ServiceState(
            position=self.service.position,
            name=self.service.name,
            waiting=len(self._waiting) + (self.in_flight is not None),
            lost=self._lost,
            outcome=self._outcome,
            sent_at_utc=self._sent_at_utc,
            failed_at_utc=self._failed_at_utc,
        )
