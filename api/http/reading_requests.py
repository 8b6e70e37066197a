"""From a request about readings to the readings of a run and back. Calls here block."""

from __future__ import annotations

from api.http.context import AppContext
from api.http.models.reading_request import GaugeBody, WeighingBody
from api.http.models.readings import ReadingList, ReadingResponse


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

    Raises: UnknownRunError; RefusedError; UnknownReadingError for one that it should replace;
        SurprisingReadingError; WrongStateError while the relay may be on.
    """
    outcome = context.readings.take(
        run_id, body.draft(), replaces=body.replaces, is_confirmed=body.is_confirmed
    )
    return ReadingResponse.of(outcome)


def withdraw_reading(
    context: AppContext, run_id: str, reading_id: str, why: str
) -> ReadingResponse:
    """Withdraw a reading.

    Raises: UnknownRunError; UnknownReadingError; ReplacedReadingError; WrongStateError while the
        relay may be on.
    """
    return ReadingResponse.of(context.readings.withdraw(run_id, reading_id, why))
