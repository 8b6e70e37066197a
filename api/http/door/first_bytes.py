"""What the first bytes of a connection show, before anything is parsed: Stop, or who asks."""

from __future__ import annotations

import re

from api.http.guards.base import STOP

MOST_BYTES = 4096
"""Bytes that the door looks at. A browser's request for the page takes fewer than 1000."""

_STOP = re.compile(rb"POST " + re.escape(STOP.encode()) + rb"[ ?]")
_SHOWN = (b"cookie", b"authorization")
_END = b"\r\n\r\n"


def is_stop_line(seen: bytes) -> bool:
    """Return whether the first request is Stop."""
    return _STOP.match(seen) is not None


def is_whole(seen: bytes) -> bool:
    """Return whether the head of the request is complete, or too long to wait for its end."""
    return _END in seen or len(seen) >= MOST_BYTES


def credentials(seen: bytes) -> list[tuple[bytes, bytes]]:
    """Return the headers that may show a paired device, as in an ASGI scope."""
    lines = seen.partition(_END)[0].split(b"\r\n")[1:]
    pairs = (line.partition(b":") for line in lines)
    return [(name.lower(), value.strip()) for name, _, value in pairs if name.lower() in _SHOWN]
