"""The kinds of problem that the API tells (RFC 9457): stable types, their status, their title."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem. ``slug`` ends its type URI."""

    slug: str
    status: int
    title: str


BROKEN_JSON = Kind("broken-json", 400, "The body is no JSON")
PAIRING_NEEDED = Kind("pairing-needed", 401, "This device is not paired")
FOREIGN_ORIGIN = Kind("foreign-origin", 403, "The request comes from another page")
WRONG_PIN = Kind("wrong-pin", 403, "The PIN is wrong")
UNKNOWN_RUN = Kind("unknown-run", 404, "There is no such run")
UNKNOWN_READING = Kind("unknown-reading", 404, "There is no such reading")
UNKNOWN_BATH = Kind("unknown-bath", 404, "There is no such bath")
UNKNOWN_ARTWORK = Kind("unknown-artwork", 404, "There is no such artwork")
UNKNOWN_PAIRING = Kind("unknown-pairing", 404, "There is no such pairing")
NO_REHEARSAL = Kind("no-rehearsal", 404, "This is a real bench")
NOTHING_HERE = Kind("nothing-here", 404, "Nothing is at this address")
WRONG_METHOD = Kind("wrong-method", 405, "The address does not take this method")
TOO_SLOW = Kind("too-slow", 408, "The body did not come in time")
WRONG_STATE = Kind("wrong-state", 409, "The present state does not take this command")
SURPRISING_READING = Kind("surprising-reading", 409, "The reading is far from what was expected")
TOO_MANY_PAIRINGS = Kind("too-many-pairings", 409, "Too many devices are paired")
TOO_LARGE = Kind("too-large", 413, "The body is too large")
NOT_JSON = Kind("not-json", 415, "The body must be JSON")
NO_ARTWORK_TYPE = Kind("no-artwork-type", 415, "The body must be an artwork file")
UNKNOWN_HOST = Kind("unknown-host", 421, "The bench is not known by this name")
BAD_VALUE = Kind("bad-value", 422, "A value cannot be used")
NOT_MEASURABLE = Kind("not-measurable", 422, "The artwork could not be measured")
TOO_MANY_TRIES = Kind("too-many-tries", 429, "The PIN was tried too often")
FAULT = Kind("fault", 500, "The program failed on this request")
LOOP_NOT_ALIVE = Kind("loop-not-alive", 503, "The control loop is not alive")
LOGBOOK_UNREADABLE = Kind("logbook-unreadable", 503, "The logbook cannot be read now")
TOO_MANY_STREAMS = Kind("too-many-streams", 503, "Too many live streams are open")
TOO_BUSY = Kind("too-busy", 503, "Too many requests are under way")
MEASURING = Kind("measuring", 503, "Another artwork is being measured")
NOT_SAVED = Kind("not-saved", 503, "The change could not be saved")
NO_ROOM = Kind("no-room", 507, "There is no room for the file")
