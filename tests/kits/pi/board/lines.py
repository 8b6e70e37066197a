"""The lines of the shared board."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

BOARD = Path(os.environ["FAKE_BOARD"])

_held: dict[int, int] = {}


def claim(line: int, consumer: str) -> bool:
    """Return whether this process holds the line now."""
    if line in _held:
        return True
    descriptor = _locked(line)
    if descriptor is None:
        return False
    _held[line] = descriptor
    (BOARD / f"holder{line}").write_text(consumer)
    return True


def free(line: int) -> None:
    os.close(_held.pop(line))


def holder(line: int) -> str | None:
    """Return who holds the line, or None when nobody does."""
    if line in _held:
        return (BOARD / f"holder{line}").read_text()
    descriptor = _locked(line)
    if descriptor is None:
        return (BOARD / f"holder{line}").read_text()
    os.close(descriptor)
    return None


def _locked(line: int) -> int | None:
    descriptor = os.open(BOARD / f"lock{line}", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None
    return descriptor


def drive(line: int, level: int) -> None:
    new = BOARD / f"level{line}.{os.getpid()}"
    new.write_text(str(level))
    new.replace(BOARD / f"level{line}")


def level(line: int) -> int:
    try:
        return int((BOARD / f"level{line}").read_text())
    except FileNotFoundError:
        return 0


def is_set(fault: str) -> bool:
    """Return whether the board has a fault: a file of that name."""
    return (BOARD / fault).exists()
