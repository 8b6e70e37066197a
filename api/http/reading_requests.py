"""From a request about readings to the bench's readings and back. Calls here block."""

from __future__ import annotations

from dataclasses import asdict

from api.http.context import AppContext
from api.http.models.readings import GaugeBody, ReadingList, ReadingResponse, WeighingBody
from api.http.problem_kinds import SURPRISING_READING, UNKNOWN_READING, WRONG_STATE
from api.http.problems import ProblemError, Surprise
from controller.planning.reading_drafts import SurprisingReadingError
from controller.running.plate_readings import ReplacedReadingError, UnknownReadingError


def list_readings(context: AppContext, run_id: str) -> ReadingList:
    """Return the readings of a run, also while the control loop is silent.

    Raises: UnknownRunError.
    """
    snapshot = context.board.snapshot
    if snapshot is None or snapshot.run_id != run_id:
        context.book.run(run_id)
    return ReadingList.of(run_id, context.shelf.readings(run_id))


def take_reading(
    context: AppContext, run_id: str, body: GaugeBody | WeighingBody
) -> ReadingResponse:
    """Take a reading of the present run or of a past one.

    Raises: UnknownRunError, RefusedError, ProblemError for one that surprises or replaces an
        unknown one, WrongStateError while the relay may be on.
    """
    draft = body.draft()
    try:
        outcome = context.readings.take(
            run_id, draft, replaces=body.replaces, is_confirmed=body.is_confirmed
        )
    except UnknownReadingError as error:
        raise ProblemError(UNKNOWN_READING, str(error)) from error
    except SurprisingReadingError as error:
        raise ProblemError(
            SURPRISING_READING,
            str(error),
            field=error.field,
            limit=error.limit,
            surprise=Surprise(**asdict(error.surprise)),
        ) from error
    return ReadingResponse.of(outcome)


def withdraw_reading(
    context: AppContext, run_id: str, reading_id: str, why: str
) -> ReadingResponse:
    """Withdraw a reading.

    Raises: UnknownRunError, ProblemError, WrongStateError while the relay may be on.
    """
    try:
        outcome = context.readings.withdraw(run_id, reading_id, why)
    except UnknownReadingError as error:
        raise ProblemError(UNKNOWN_READING, str(error)) from error
    except ReplacedReadingError as error:
        raise ProblemError(WRONG_STATE, str(error)) from error
    return ReadingResponse.of(outcome)
