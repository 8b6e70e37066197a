"""How a delivery ends. The child that delivers imports this and nothing else of the project."""

from __future__ import annotations

from enum import StrEnum


class Ending(StrEnum):
    """How a delivery ended."""

    SENT = "sent"
    REFUSED = "refused"
    UNREACHABLE = "unreachable"
    TIMED_OUT = "timed_out"
    UNKNOWN_ADDRESS = "unknown_address"
    NOT_INSTALLED = "not_installed"
    FAILED = "failed"
