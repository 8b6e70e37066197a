"""The known name that is most like a mistyped one."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

ALIKE = 0.6
"""How alike two names must be, 0 to 1: the default of difflib."""


def nearest(name: str, known: Sequence[str]) -> str | None:
    """Return the known name that is most like ``name``, or None when none is alike."""
    found = get_close_matches(name, known, 1, ALIKE)
    return found[0] if found else None
