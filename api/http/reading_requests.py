"""From a request about readings to the readings of a run and back. Calls here block."""

from __future__ import annotations

from api.http.context import AppContext
from api.http.models.reading_request import AtBody, GaugeBody, WeighingBody
from api.http.models.readings import ReadingList, ReadingResponse
from controller.errors import RefusedError
from controller.physics.places import Place
from controller.planning.reading_drafts import Draft


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
    if isinstance(body, GaugeBody):
        at = None if body.at is None else place_of(context, run_id, body.at)
        draft: Draft = body.draft(at)
    else:
        draft = body.draft()
    outcome = context.readings.take(
        run_id, draft, replaces=body.replaces, is_confirmed=body.is_confirmed
    )
    return ReadingResponse.of(outcome)


def place_of(context: AppContext, run_id: str, at: AtBody) -> Place:
    """Return the place where a person gauged a run's plate.

    A point is looked up in the field of the run's artwork, which may have to be made first.
    Raises: UnknownRunError; RefusedError for an unknown place; MeasureFailedError.
    """
    request = context.book.run(run_id).plan.get("request", {})
    if at.name is not None:
        places = request.get("places") or ()
        found = next((place for place in places if place["name"] == at.name), None)
        if found is None:
            raise RefusedError("http.reading.unknown_place", field="at.name", name=at.name)
        return Place(**{**found, "ratios": tuple(found["ratios"])})
    if at.x_mm is None or at.y_mm is None:
        raise RefusedError("http.reading.half_place", field="at")
    if request.get("artwork") is None:
        raise RefusedError("http.reading.no_artwork", field="at")
    return context.artworks.reliefs.field(request["artwork"]).place_at(at.x_mm, at.y_mm)


def withdraw_reading(
    context: AppContext, run_id: str, reading_id: str, why: str
) -> ReadingResponse:
    """Withdraw a reading.

    Raises: UnknownRunError; UnknownReadingError; ReplacedReadingError; WrongStateError while the
        relay may be on.
    """
    return ReadingResponse.of(context.readings.withdraw(run_id, reading_id, why))
