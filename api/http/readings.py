"""Takes what a person read on a run: fills in the charge, asks about what surprises, tells what it changed. Calls here block."""

from __future__ import annotations

from typing import Any

from api.http.models.readings import GaugeBody, ReadingAnswer, ReadingList, WeighingBody
from api.http.problem_kinds import SURPRISING_READING, UNKNOWN_READING, WRONG_STATE
from api.http.problems import ProblemError, Surprise
from api.http.services import Desk
from controller.errors import RefusedError
from controller.logbook.entries import ReadingKind, ReadingTaken
from controller.logbook.reader import RunRecord
from controller.logbook.readings import reading_of
from controller.messages import Snapshot
from controller.physics.estimate import DepthEstimate
from controller.physics.learning import FILM_MM, GaugeReading, Reading
from controller.planning.json_form import learner_from_json, request_from_json
from controller.planning.plan import planned_metal
from controller.recording.baths import refuse_surprise
from controller.units import positive


def list_readings(desk: Desk, run_id: str) -> ReadingList:
    """Return everything that was read on a run, the control loop alive or not. Raises: UnknownRunError."""
    snapshot = desk.board.snapshot
    if snapshot is None or snapshot.run_id != run_id:
        desk.book.run(run_id)
    return ReadingList.of(run_id, desk.shelf.readings(run_id))


def take_reading(desk: Desk, run_id: str, wish: GaugeBody | WeighingBody) -> ReadingAnswer:
    """Take a reading of the present run or of a past one.

    Raises: UnknownRunError, RefusedError, ProblemError for one that surprises, WrongStateError while the relay may be on.
    """
    shelf, kind = desk.shelf, ReadingKind(wish.kind)
    present = _present(desk, run_id)
    past = desk.book.run(run_id) if present is None else None
    counted = present.charge_coulombs if past is None and present is not None else _charge_of(past)
    body = wish.body(wish.charge_coulombs or counted or 0.0, _film_mm(desk, run_id, past))
    reading = _sound(reading_of(kind, body))
    _refuse_unknown(shelf.readings(run_id), wish.replaces)
    try:
        if past is not None and not wish.is_confirmed:
            _refuse_surprise_of_past(desk, past, reading)
        done = desk.service.read(
            run_id, kind, body, replaces=wish.replaces, is_confirmed=wish.is_confirmed
        )
    except RefusedError as error:
        if error.field != "is_confirmed":
            raise
        raise _surprising(error, reading, present, past) from error
    return _answer(desk, run_id, done)


def withdraw_reading(desk: Desk, run_id: str, reading_id: str, why: str) -> ReadingAnswer:
    """Withdraw a reading. Raises: UnknownRunError, ProblemError, WrongStateError while the relay may be on."""
    if _present(desk, run_id) is None:
        desk.book.run(run_id)
    _refuse_unknown(desk.shelf.readings(run_id), reading_id)
    try:
        done = desk.service.withdraw(run_id, reading_id, why)
    except RefusedError as error:
        if error.field != "replaces":
            raise
        raise ProblemError(WRONG_STATE, str(error)) from error
    return _answer(desk, run_id, done)


def _present(desk: Desk, run_id: str) -> Snapshot | None:
    """Return a snapshot of this moment when that run is on the bench; the logbook may not have it yet."""
    desk.service.wait_for_loop()
    snapshot = desk.service.snapshot()
    return snapshot if snapshot.run_id == run_id else None


def _charge_of(past: RunRecord | None) -> float | None:
    return None if past is None else past.summary.progress.charge_coulombs


def _film_mm(desk: Desk, run_id: str, past: RunRecord | None) -> float:
    """Return the thickness of the resist that a run was planned with, mm."""
    film_mm = None if past is not None else desk.service.film_mm(run_id)
    if film_mm is not None:
        return film_mm
    request = {} if past is None else past.plan.get("request", {})
    return float(request.get("film_mm", FILM_MM[0]))


def _sound(reading: Reading) -> Reading:
    """Return a reading that can be learned from. Raises: RefusedError; later it would stand in the way of its whole bath."""
    positive(reading.charge_coulombs, "charge_coulombs", "C")
    if isinstance(reading, GaugeReading):
        reading.mean_depth()
    else:
        positive(reading.lost_g, "lost_g", "g")
    return reading


def _refuse_unknown(readings: tuple[ReadingTaken, ...], reading_id: str | None) -> None:
    if reading_id is not None and reading_id not in {taken.reading_id for taken in readings}:
        raise ProblemError(
            UNKNOWN_READING,
            f"there is no reading {reading_id!a} of this run: look at the list again",
        )


def _refuse_surprise_of_past(desk: Desk, past: RunRecord, reading: Reading) -> None:
    """Ask about a reading that is far from what was believed when a past run began. Raises: RefusedError."""
    plan = past.plan
    if "believed" not in plan or "request" not in plan:
        return
    request = request_from_json(plan["request"])
    metal = planned_metal(request.metal, desk.service.settings)
    refuse_surprise(learner_from_json(plan["believed"], metal), reading, request)


def _surprising(
    error: RefusedError, reading: Reading, present: Snapshot | None, past: RunRecord | None
) -> ProblemError:
    """Return the question to confirm, with the numbers to compare."""
    depth, depth_error = reading.mean_depth() if isinstance(reading, GaugeReading) else (None, None)
    believed: Any = present if past is None else past.summary.progress
    surprise = Surprise(
        read_depth_mm=depth,
        read_error_mm=depth_error,
        depth_mm=believed.depth_mm,
        depth_low_mm=believed.depth_low_mm,
        depth_high_mm=believed.depth_high_mm,
    )
    return ProblemError(
        SURPRISING_READING, str(error), field=error.field, limit=error.limit, surprise=surprise
    )


def _answer(
    desk: Desk, run_id: str, done: tuple[ReadingTaken, DepthEstimate | None, DepthEstimate | None]
) -> ReadingAnswer:
    taken, before, after = done
    told = {
        one.reading_id: one for one in ReadingList.of(run_id, desk.shelf.readings(run_id)).readings
    }
    return ReadingAnswer.of(
        told[taken.reading_id], before, after, None if after is None else desk.service.snapshot()
    )
