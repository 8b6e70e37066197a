"""The queue of entries that wait to be written. It is bounded.

State goes before samples, and only the newest checkpoint waits. It has no lock; the logbook has.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from controller.logbook.entries import (
    BathEvent,
    BathSaved,
    Checkpoint,
    Entry,
    Mean,
    RawSamples,
    ReadingTaken,
    RunBegan,
    StateChanged,
)
from controller.messages import Event

MAX_RUNS = 200
"""Runs whose state may wait: weeks of work with a dead card."""

MAX_EVENTS = 2000

MAX_MEANS = 4 * 3600
"""Seconds that may wait: the longest run allowed by default, about 3 MB of memory."""

MAX_RAWS = 4000
"""Raw samples that may wait: those of eight trips."""


@dataclass(slots=True)
class _RunEntries:
    began: RunBegan | None = None
    state: StateChanged | None = None
    checkpoint: Checkpoint | None = None

    def entries(self) -> list[Entry]:
        return [entry for entry in (self.began, self.state, self.checkpoint) if entry is not None]


def is_urgent(entry: Entry) -> bool:
    """Return whether an entry is written at once: all but means and raw samples."""
    return not isinstance(entry, Mean | RawSamples)


class WaitingRoom:
    """Entries on their way to the disk.

    Of each run only the newest state and the newest checkpoint wait, so nothing can crowd them
    out. Events, means and raw samples each have their own room.
    """

    def __init__(
        self,
        max_runs: int = MAX_RUNS,
        max_events: int = MAX_EVENTS,
        max_means: int = MAX_MEANS,
        max_raws: int = MAX_RAWS,
    ) -> None:
        self._max_runs = max_runs
        self._max_events = max_events
        self._max_means = max_means
        self._max_raws = max_raws
        self._runs: dict[str, _RunEntries] = {}
        self._events: deque[Event | BathSaved | BathEvent | ReadingTaken] = deque()
        self._means: deque[Mean] = deque()
        self._raws: deque[RawSamples] = deque()
        self._raw_count = 0

    def put(self, entry: Entry) -> int:
        """Take an entry; return how many rows were refused without room (0 when it was taken)."""
        if isinstance(entry, RunBegan | StateChanged | Checkpoint):
            return self._put_run(entry)
        if isinstance(entry, Event | BathSaved | BathEvent | ReadingTaken):
            if len(self._events) >= self._max_events:
                return 1
            self._events.append(entry)
        elif isinstance(entry, Mean):
            if len(self._means) >= self._max_means:
                return 1
            self._means.append(entry)
        else:
            if self._raw_count + len(entry.samples) > self._max_raws:
                return len(entry.samples)
            self._raws.append(entry)
            self._raw_count += len(entry.samples)
        return 0

    def _put_run(self, entry: RunBegan | StateChanged | Checkpoint) -> int:
        waiting = self._runs.get(entry.run_id)
        if waiting is None:
            if len(self._runs) >= self._max_runs:
                return 1
            waiting = self._runs[entry.run_id] = _RunEntries()
        if isinstance(entry, RunBegan):
            waiting.began = entry
        elif isinstance(entry, StateChanged):
            waiting.state = entry
            waiting.checkpoint = None
        else:
            waiting.checkpoint = entry
        return 0

    @property
    def has_urgent(self) -> bool:
        """Whether something waits that is written at once."""
        return bool(self._runs or self._events)

    def __len__(self) -> int:
        of_runs = sum(len(waiting.entries()) for waiting in self._runs.values())
        return of_runs + len(self._events) + len(self._means) + self._raw_count

    def take_urgent(self) -> list[Entry]:
        """Return and forget everything but samples, in the order in which it must be written."""
        entries: list[Entry] = [
            entry for waiting in self._runs.values() for entry in waiting.entries()
        ]
        entries += self._events
        self._runs = {}
        self._events = deque()
        return entries

    def take_samples(self) -> list[Entry]:
        """Return and forget the waiting means and raw samples."""
        entries: list[Entry] = [*self._means, *self._raws]
        self._means = deque()
        self._raws = deque()
        self._raw_count = 0
        return entries
