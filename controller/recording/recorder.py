"""Turns a run into logbook entries: 1 s means, checkpoints, raw samples around a trip. Pure."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from controller.figures import Figures, MeanSample, values_of
from controller.logbook.entries import (
    Checkpoint,
    Entry,
    Mean,
    Progress,
    RawSample,
    RawSamples,
    RunBegan,
    StateChanged,
    is_unfinished,
)
from controller.messages import Event, RunState, Sample, Snapshot, TripReason
from controller.texts import text

RAW_BEFORE_S = 30.0
"""Raw samples kept from before a trip, s: about 440 conversions, which show a contact fail."""

RAW_AFTER_S = 5.0
"""Time recorded after the relay turned off, s, to show whether the current fell to zero."""


@dataclass(slots=True)
class _Second:
    """The samples of one whole second of a run."""

    run_id: str
    elapsed_s: int
    progress: Progress
    bath_degc: float | None = None
    count: int = 0
    current_sum_a: float = 0.0
    voltage_sum_v: float = 0.0

    def add(self, sample: Sample, progress: Progress, bath_degc: float | None) -> None:
        """Add a sample. A quick look carries the supply's ripple: the means leave it out."""
        self.progress = progress
        self.bath_degc = bath_degc
        if sample.averaged:
            self.count += 1
            self.current_sum_a += sample.current_a
            self.voltage_sum_v += sample.voltage_v

    def entries(self) -> tuple[Entry, ...]:
        """Return the mean so far, or nothing without an averaged sample."""
        if self.count == 0:
            return ()
        means: dict[str, Any] = {
            "elapsed_s": self.elapsed_s,
            "current_a": self.current_sum_a / self.count,
            "voltage_v": self.voltage_sum_v / self.count,
            "bath_degc": self.bath_degc,
        }
        at_its_end: dict[str, Any] = {
            figure.name: getattr(self.progress, figure.name)
            for figure in fields(MeanSample)
            if figure.name not in means
        }
        return (Mean(run_id=self.run_id, **at_its_end, **means),)


@dataclass(slots=True)
class _Book:
    """The run that is being recorded.

    :param origin_s: monotonic time at which its elapsed time is 0.
    :param ring: raw samples held back. Until ``raw_until_s`` they are recorded at once instead.
    :param means_until_s: means are made until then after the run left ``running``.
    """

    run_id: str
    origin_s: float
    state: RunState
    progress: Progress
    reason: TripReason | None = None
    second: _Second | None = None
    means_until_s: float = -math.inf
    raw_until_s: float = -math.inf
    ring: deque[RawSample] = field(default_factory=deque)

    def advance(self, at_s: float, figures: Figures) -> Progress:
        """Update the progress with the figures known at ``at_s``, and return it."""
        news = values_of(figures, Figures)
        known = {name: value for name, value in news.items() if value is not None}
        self.progress = replace(self.progress, **known, at_s=at_s, elapsed_s=at_s - self.origin_s)
        return self.progress

    def end_second(self) -> tuple[Entry, ...]:
        """Return the mean of the present second and forget it."""
        entries = () if self.second is None else self.second.entries()
        self.second = None
        return entries


class RunRecorder:
    """Makes the entries of one run after another. Not thread-safe: the loop's follower owns it.

    Means and checkpoints are made in ``running`` and for ``after_s`` after it. Raw samples are held
    back in every state and recorded when a reason ends or pauses the run. Currents
    arrive without the zero offset.

    :param before_s: raw samples kept from before a trip.
    :param after_s: time that is still recorded after the run left ``running``.
    """

    def __init__(self, before_s: float = RAW_BEFORE_S, after_s: float = RAW_AFTER_S) -> None:
        self._before_s = before_s
        self._after_s = after_s
        self._book: _Book | None = None

    @property
    def run_id(self) -> str | None:
        """The run that is being recorded, or None before the first."""
        return None if self._book is None else self._book.run_id

    def began(self, run: RunBegan) -> tuple[Entry, ...]:
        """Begin to record ``run``, in state ``checking``."""
        progress = Progress(at_s=run.at_s, elapsed_s=0.0, on_time_s=0.0, charge_coulombs=0.0)
        self._book = _Book(run.run_id, run.at_s, RunState.CHECKING, progress)
        return (run, StateChanged(run.run_id, RunState.CHECKING, run.started_at_utc, progress))

    def took_over(self, run_id: str, at_s: float, last: Progress) -> None:
        """Take over a run that an earlier process left with progress ``last``.

        Its time continues in the next whole second, without the time that the daemon was away.
        """
        origin_s = at_s - (math.floor(last.elapsed_s) + 1)
        self._book = _Book(run_id, origin_s, RunState.INTERRUPTED, last)

    def sample(
        self,
        sample: Sample,
        totals: Figures,
        bath_degc: float | None,
        *,
        kept: Callable[[], Mapping[str, Any]] | None = None,
    ) -> tuple[Entry, ...]:
        """Take a fresh sample and the figures up to it. A figure of None keeps its last value.

        :param kept: returns the run's checkpoint as JSON values; asked once a second.
        Raises: RuntimeError when no run was begun or taken over.
        """
        book = self._the_book()
        entries = self.seen(sample)
        progress = book.advance(sample.taken_at_s, replace(totals, current_a=sample.current_a))
        is_running = book.state is RunState.RUNNING
        if not is_running and sample.taken_at_s > book.means_until_s:
            return entries + book.end_second()
        elapsed_s = math.floor(progress.elapsed_s)
        is_new_second = book.second is None or book.second.elapsed_s != elapsed_s
        if is_new_second:
            entries += book.end_second()
        second = book.second = book.second or _Second(book.run_id, elapsed_s, progress)
        second.add(sample, progress, bath_degc)
        # After the relay went off each sample may be the last one that still counted.
        if is_running and not is_new_second:
            return entries
        return (*entries, Checkpoint(book.run_id, progress, None if kept is None else kept()))

    def seen(self, sample: Sample) -> tuple[Entry, ...]:
        """Take a sample that is not counted, such as a quick look, for the raw record only."""
        book = self._the_book()
        elapsed_s = sample.taken_at_s - book.origin_s
        raw = RawSample(
            elapsed_s, sample.current_a, sample.voltage_v, sample.saturated, sample.averaged
        )
        if sample.taken_at_s <= book.raw_until_s:
            return (RawSamples(book.run_id, (raw,)),)
        book.ring.append(raw)
        while book.ring[0].elapsed_s < elapsed_s - self._before_s:
            book.ring.popleft()
        return ()

    def keep(self, snapshot: Snapshot, kept: Mapping[str, Any]) -> tuple[Entry, ...]:
        """Take a checkpoint between changes of state, while the run can still go on."""
        book = self._book
        if book is None or book.run_id != snapshot.run_id:
            return ()
        if not is_unfinished(book.state, book.reason):
            return ()
        progress = book.advance(snapshot.at_s, _of_the_run(snapshot))
        return (Checkpoint(book.run_id, progress, kept),)

    def state(self, snapshot: Snapshot, kept: Mapping[str, Any] | None = None) -> tuple[Entry, ...]:
        """Take the run's state and figures from a snapshot after a change of state.

        Figures of None keep their last values. A new reason records the raw samples held back.
        The present second is recorded so far, and again when it is over. A snapshot without a run
        is ignored.
        Raises: RuntimeError when its run was neither begun nor taken over.
        """
        if snapshot.run_id is None or snapshot.state is RunState.IDLE:
            return ()
        book = self._the_book(snapshot.run_id)
        book.advance(snapshot.at_s, _of_the_run(snapshot))
        at_s, reason = snapshot.at_s, snapshot.reason
        if snapshot.state is RunState.RUNNING and book.state is not RunState.RUNNING:
            # The last current was seen with the relay off.
            book.progress = replace(book.progress, current_a=None)
        if book.state is RunState.RUNNING and snapshot.state is not RunState.RUNNING:
            book.means_until_s = at_s + self._after_s
        raw: tuple[Entry, ...] = ()
        if reason is not None and reason is not book.reason:
            raw = (RawSamples(book.run_id, tuple(book.ring)),) if book.ring else ()
            book.ring.clear()
            book.raw_until_s = at_s + self._after_s
        book.state, book.reason = snapshot.state, reason
        message = None if snapshot.message is None else str(snapshot.message)
        change = StateChanged(
            book.run_id, snapshot.state, snapshot.at_utc, book.progress, reason, message, kept
        )
        return (change, *raw, *(() if book.second is None else book.second.entries()))

    def event(self, event: Event) -> tuple[Entry, ...]:
        """Take an event of a run or of the rig."""
        return (event,)

    def _the_book(self, run_id: str | None = None) -> _Book:
        book = self._book
        if book is None or (run_id is not None and run_id != book.run_id):
            raise RuntimeError(text("run.recorder.unknown_run", run=run_id or ""))
        return book


def _of_the_run(snapshot: Snapshot) -> Figures:
    """Return the figures of a snapshot; its current may be older than the run's last sample."""
    return Figures(**{**values_of(snapshot, Figures), "current_a": None})
