"""What comes with a command: the run it is meant for, when it was given, and who gave it."""

from __future__ import annotations

from dataclasses import dataclass

from controller.errors import LateCommandError, OtherRunError
from controller.messages import Source

LATE_S = 10.0
"""A command that was given longer ago than this, s, is refused.

The page waits 8 s for an answer. After 10 s a person has done something else, and the relay must
not turn on under their hands (common practice, no source).
"""


@dataclass(frozen=True, slots=True)
class Order:
    """A command as it arrived.

    :param run_id: the run that it is meant for, or None for whichever is present.
    :param given_at_s: when the person gave it, on the machine's monotonic clock, s: its arrival
        less the age that the client measured.
    :param source: who gave it, or None for the program itself.
    :param asked_off: number of the newest request for off when it arrived, or None for the one
        when it is carried out. A later one cancels a start.
    """

    given_at_s: float
    run_id: str | None = None
    source: Source | None = None
    asked_off: int | None = None

    def refuse_late(self, now_s: float) -> None:
        """Refuse a late command. Raises: LateCommandError."""
        age_s = now_s - self.given_at_s
        if age_s > LATE_S:
            raise LateCommandError("run.refused.late", age_s=age_s, limit_s=LATE_S)

    def refuse_other(self, run_id: str | None) -> None:
        """Refuse a command for another run than the present one. Raises: OtherRunError."""
        refuse_other_run(self.run_id, run_id)


def refuse_other_run(meant: str | None, present: str | None) -> None:
    """Refuse a command for another run than the present one. Raises: OtherRunError.

    :param meant: the run that the command names, or None when it names none.
    """
    if meant is None or meant == present:
        return
    if present is None:
        raise OtherRunError("run.refused.run_over", meant_run=ascii(meant[:60]))
    raise OtherRunError("run.refused.other_run", meant_run=ascii(meant[:60]), present_run=present)
