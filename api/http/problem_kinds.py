"""The kinds of problem that the API reports (RFC 9457): a stable type, a status and a title."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus

from controller.texts import text_or_none


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem. ``slug`` is the last part of its type URI."""

    slug: str
    status: int

    @property
    def title(self) -> str:
        """The kind in a few words. The framework's own kinds have the phrase of their status."""
        return text_or_none(f"http.title.{self.slug}") or HTTPStatus(self.status).phrase


BROKEN_JSON = Kind("broken-json", 400)
PAIRING_NEEDED = Kind("pairing-needed", 401)
FOREIGN_ORIGIN = Kind("foreign-origin", 403)
WRONG_PIN = Kind("wrong-pin", 403)
UNKNOWN_RUN = Kind("unknown-run", 404)
UNKNOWN_READING = Kind("unknown-reading", 404)
UNKNOWN_BATH = Kind("unknown-bath", 404)
UNKNOWN_ARTWORK = Kind("unknown-artwork", 404)
UNKNOWN_PAIRING = Kind("unknown-pairing", 404)
NO_REHEARSAL = Kind("no-rehearsal", 404)
NOTHING_HERE = Kind("nothing-here", 404)
WRONG_METHOD = Kind("wrong-method", 405)
TOO_SLOW = Kind("too-slow", 408)
WRONG_STATE = Kind("wrong-state", 409)
LATE_COMMAND = Kind("late-command", 409)
OTHER_RUN = Kind("other-run", 409)
SURPRISING_READING = Kind("surprising-reading", 409)
TOO_MANY_PAIRINGS = Kind("too-many-pairings", 409)
TOO_LARGE = Kind("too-large", 413)
NOT_JSON = Kind("not-json", 415)
NO_ARTWORK_TYPE = Kind("no-artwork-type", 415)
NO_BACKUP_TYPE = Kind("no-backup-type", 415)
UNKNOWN_HOST = Kind("unknown-host", 421)
BAD_VALUE = Kind("bad-value", 422)
NOT_MEASURABLE = Kind("not-measurable", 422)
TOO_MANY_TRIES = Kind("too-many-tries", 429)
FAULT = Kind("fault", 500)
LOOP_NOT_ALIVE = Kind("loop-not-alive", 503)
CALCULATION_FAILED = Kind("calculation-failed", 503)
LOGBOOK_UNREADABLE = Kind("logbook-unreadable", 503)
TOO_MANY_STREAMS = Kind("too-many-streams", 503)
TOO_BUSY = Kind("too-busy", 503)
MEASURING = Kind("measuring", 503)
BACKUP_FAILED = Kind("backup-failed", 503)
NOT_SAVED = Kind("not-saved", 503)
NO_ROOM = Kind("no-room", 507)
