"""Takes, corrects and withdraws readings of the present run and of past ones. Calls block."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, TypeVar

from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.entries import Progress, ReadingKind, ReadingTaken
from controller.logbook.reader import RunRecord
from controller.logbook.stored_readings import body_of, kind_of, reading_of, standing
from controller.physics.estimate import DepthEstimate
from controller.physics.learning.lesson import lesson_of
from controller.physics.learning.stored import learner_from_json
from controller.physics.readings import FILM_MM, Reading
from controller.planning.json_form import request_from_json
from controller.planning.past_attack import reading_as_planned
from controller.planning.plan import planned_metal
from controller.planning.reading_drafts import Draft, refuse_surprise
from controller.planning.request import growth_of
from controller.ports import Clock
from controller.recording.baths import BathShelf
from controller.running.plate_commands import Learned, PlateCommands
from controller.texts import Message

Result = TypeVar("Result")


class Ask(Protocol):
    """Calls a function on the loop's thread, between two passes. Raises: LoopNotAliveError."""

    def __call__(self, action: Callable[[], Result]) -> Result: ...  # noqa: D102


class UnknownReadingError(RefusedError, LookupError):
    """The run has no such reading."""


class ReplacedReadingError(RefusedError):
    """The reading has already been corrected or withdrawn."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A kept reading, and what the present run learned from it (None for a past run).

    :param lesson: what the reading changed in the belief about its run, or None.
    """

    taken: ReadingTaken
    learned: Learned | None
    lesson: Message | None = None


class PlateReadings:
    """The readings of all runs.

    Each call is one command to the loop, and the order is always the same:

    1. on the caller's thread, read the run's valid readings from the disk. Callers take turns, so
       this is still true when the command runs;
    2. in the command, check the state, fill in missing values, ask about a surprise and compute
       the outcome. Nothing has changed yet;
    3. still in the command, hand the reading to the logbook's queue, which is memory. A full
       queue refuses it, and nothing is learned;
    4. change the belief, which can no longer fail.

    The logbook's own thread writes the queue to the disk. While the disk refuses, the reading
    waits there and is tried again, and the shelf already counts it. A process that dies before
    the write loses the reading and the belief together: a restart restores the belief from the
    logbook.

    A reading of a past run changes only the belief about its bath. The command finds that the run
    is not the present one, and the rest happens on the caller's thread.

    :param ask: calls a function on the loop's thread, between two passes.
    """

    def __init__(
        self, plate: PlateCommands, shelf: BathShelf, clock: Clock, settings: Settings, ask: Ask
    ) -> None:
        self._plate = plate
        self._shelf = shelf
        self._clock = clock
        self._settings = settings
        self._ask = ask
        self._turn = threading.Lock()

    def take(
        self,
        run_id: str,
        draft: Draft,
        *,
        replaces: str | None = None,
        is_confirmed: bool = False,
    ) -> Outcome:
        """Take a reading, new or in place of an earlier one.

        Raises: RefusedError for one that nothing can be learned from, SurprisingReadingError for
            one to be confirmed, UnknownReadingError, ReplacedReadingError, UnknownRunError,
            WrongStateError while the relay may be on, LoopNotAliveError, LogbookUnreadableError.
        """
        with self._turn:
            known = self._standing(run_id, replaces)
            kept: list[ReadingTaken] = []

            def keep(reading: Reading) -> None:
                kept.append(self._keep(run_id, kind_of(reading), body_of(reading), replaces))

            take = partial(self._plate.take_reading, run_id, draft, known, keep)
            learned = self._ask(lambda: take(is_confirmed=is_confirmed))
            lesson = None if learned is None else learned.lesson
            if learned is None:
                record = self._shelf.run(run_id)
                reading, lesson = self._judged(record, draft, known, is_confirmed=is_confirmed)
                keep(reading)
            return Outcome(kept[0], learned, lesson)

    def withdraw(self, run_id: str, reading_id: str, why: str) -> Outcome:
        """Withdraw a reading; it stays in the history. Raises as ``take``."""
        with self._turn:
            known = self._standing(run_id, reading_id)
            kept: list[ReadingTaken] = []

            def keep() -> None:
                body = {"why": why}
                kept.append(self._keep(run_id, ReadingKind.WITHDRAWN, body, reading_id))

            learned = self._ask(lambda: self._plate.believe(run_id, known, keep))
            if learned is None:
                self._shelf.run(run_id)
                keep()
            return Outcome(kept[0], learned)

    def _standing(self, run_id: str, replaces: str | None) -> list[Reading]:
        """Return the valid readings of a run, without the one to be replaced.

        Raises: UnknownReadingError, ReplacedReadingError, UnknownRunError.
        """
        readings = self._shelf.readings(run_id)
        stand = standing(readings)
        if replaces is not None and replaces not in {taken.reading_id for taken in readings}:
            if not self._ask(lambda: self._plate.is_present(run_id)):
                self._shelf.run(run_id)
            raise UnknownReadingError(
                "run.refused.unknown_reading", field="replaces", reading=ascii(replaces)
            )
        if replaces is not None and replaces not in {taken.reading_id for taken in stand}:
            raise ReplacedReadingError(
                "run.refused.replaced_reading", field="replaces", reading=replaces, run=run_id
            )
        return [reading_of(t.kind, t.body) for t in stand if t.reading_id != replaces]

    def _judged(
        self, record: RunRecord, draft: Draft, known: Sequence[Reading], *, is_confirmed: bool
    ) -> tuple[Reading, Message | None]:
        """Return a reading of a past run, judged by what was believed when that run began.

        With it, what it changes beside the other readings of the run.

        Raises: RefusedError, SurprisingReadingError.
        """
        plan, progress = record.plan, record.summary.progress
        film_mm = float(plan.get("request", {}).get("film_mm", FILM_MM[0]))
        request = request_from_json(plan["request"]) if "request" in plan else None
        places = () if request is None else request.places
        reading = draft.complete(progress.charge_coulombs, film_mm, places)
        if "believed" in plan and request is not None:
            metal = planned_metal(request.metal, self._settings)
            learner = learner_from_json(plan["believed"], metal)
            seen = reading_as_planned(plan, reading)
            if not is_confirmed:
                refuse_surprise(learner, seen, request, _depth_of(progress))
            growth = growth_of(request)
            learner.learn(seen, growth)  # refuses an impossible reading
            for other in known:
                learner = learner.learn(reading_as_planned(plan, other), growth)
            return reading, lesson_of(learner, learner.learn(seen, growth), seen, growth)
        return reading, None

    def _keep(
        self, run_id: str, kind: ReadingKind, body: dict[str, Any], replaces: str | None
    ) -> ReadingTaken:
        reading_id = uuid.uuid4().hex[:12]
        taken = ReadingTaken(reading_id, run_id, kind, self._clock.utc_now(), replaces, body)
        self._shelf.keep(taken)
        return taken


def _depth_of(progress: Progress) -> DepthEstimate | None:
    best_mm, low_mm, high_mm = progress.depth_mm, progress.depth_low_mm, progress.depth_high_mm
    if best_mm is None or low_mm is None or high_mm is None:
        return None
    return DepthEstimate(best_mm, low_mm, high_mm)
