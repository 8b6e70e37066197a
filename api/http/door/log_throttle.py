"""Keeps a log readable under attack: of lines that repeat, a few a minute."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from controller.texts import text

PERIOD_S = 60.0
"""Time after which a line may appear again, s."""

MOST = 20
"""Most lines of one kind in that time."""

MOST_KINDS = 200
"""Most kinds of line remembered. Beyond that the oldest are forgotten."""


@dataclass(slots=True)
class _Seen:
    since_s: float
    count: int = 0


class LogThrottle(logging.Filter):
    """Lets the first lines of a kind through in each period, and counts the others.

    Lines are of one kind when the same place in the program wrote them. The time is that of the
    records.
    """

    def __init__(self) -> None:
        super().__init__()
        self._kinds: dict[tuple[str, int], _Seen] = {}

    @classmethod
    def put_on(cls, logger: logging.Logger) -> None:
        """Put a throttle on a logger that has none."""
        if not any(isinstance(known, cls) for known in logger.filters):
            logger.addFilter(cls())

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether a line is written. The first of a period says how many were not."""
        kind = (record.pathname, record.lineno)
        seen = self._kinds.get(kind)
        if seen is None or not 0.0 <= record.created - seen.since_s < PERIOD_S:
            left_out = 0 if seen is None else seen.count - MOST
            seen = self._kinds[kind] = _Seen(record.created)
            if left_out > 0:
                note = text("http.door.lines_left_out", left_out=left_out)
                record.msg, record.args = f"{record.getMessage()} {note}", None
            while len(self._kinds) > MOST_KINDS:
                del self._kinds[next(iter(self._kinds))]
        seen.count += 1
        return seen.count <= MOST
