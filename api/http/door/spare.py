"""Descriptors: as many as the system allows, and a few kept for when none is left."""

from __future__ import annotations

import os
import resource
from contextlib import suppress

SPARE = 16
"""Descriptors that are kept back."""

OTHER_DESCRIPTORS = 160
"""Descriptors that the rest of the daemon may need: logbook, artworks, workers, devices, page."""


MOST_DESCRIPTORS = 65_536
"""Limit on open files to ask for, where the system sets none: many times what is needed."""


def raise_descriptor_limit() -> int:
    """Raise this process's limit on open files as far as it may, and return it.

    The processes that it starts inherit the limit.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, MOST_DESCRIPTORS)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MOST_DESCRIPTORS if soft == resource.RLIM_INFINITY else soft


class SpareDescriptors:
    """Holds descriptors that are open on nothing, to be released when accepting fails."""

    def __init__(self, most: int = SPARE) -> None:
        self._most = most
        self._held: list[int] = []
        self.refill()

    def release(self) -> bool:
        """Free one descriptor. Return False when none is left."""
        if not self._held:
            return False
        os.close(self._held.pop())
        return True

    def refill(self) -> None:
        """Take back what was released, as far as there are descriptors."""
        with suppress(OSError):
            while len(self._held) < self._most:
                self._held.append(os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC))

    def close(self) -> None:
        """Release all."""
        while self.release():
            pass
