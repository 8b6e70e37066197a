"""The baths: what is in each, and what its readings show."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Depends, Path

from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.models.base import PLAIN_TEXT
from api.http.models.baths import BathAnswer, BathBody, BathList, CouponBody, FreshAcidBody
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    LOGBOOK_UNREADABLE,
    NOT_JSON,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_BATH,
)
from api.http.problems import ProblemError
from controller.errors import RefusedError
from controller.recording.baths import MAX_NAME, BathState

BathName = Annotated[
    str,
    Path(
        description="Name of the bath, percent-encoded. No unit.",
        examples=["silver bath of March"],
        min_length=1,
        max_length=MAX_NAME,
        pattern=PLAIN_TEXT,
    ),
]


def bath_routes(context: AppContext) -> APIRouter:
    """Return the routes of the baths."""
    router = APIRouter(tags=["baths"], dependencies=[Depends(refuse_if_revoked)])

    @router.get(
        "/api/baths",
        operation_id="listBaths",
        summary="The baths, newest first",
        responses=problem_responses(LOGBOOK_UNREADABLE),
    )
    async def list_baths() -> BathList:
        """With the charge of each bath and what its readings show."""
        states = await context.reading.run(_all_states, context)
        return BathList(baths=tuple(BathAnswer.of(state) for state in states))

    @router.get(
        "/api/baths/{name:path}",
        operation_id="getBath",
        summary="One bath",
        responses=problem_responses(LOGBOOK_UNREADABLE, BAD_VALUE, UNKNOWN_BATH),
    )
    async def get_bath(name: BathName) -> BathAnswer:
        """With its charge and what its readings show."""
        return BathAnswer.of(await context.reading.run(_state, context, name))

    @router.post(
        "/api/baths",
        operation_id="saveBath",
        summary="Describe a bath, new or known, or retire it",
        responses=problem_responses(
            LOGBOOK_UNREADABLE, BAD_VALUE, BROKEN_JSON, TOO_LARGE, TOO_SLOW, NOT_JSON
        ),
    )
    async def save_bath(body: BathBody) -> BathAnswer:
        """The newest description of a name is valid. The metal of a bath cannot change."""
        return BathAnswer.of(await context.reading.run(_save, context, body))

    @router.post(
        "/api/fresh-acid",
        operation_id="noteFreshAcid",
        summary="Note that a bath has got fresh acid",
        responses=problem_responses(
            LOGBOOK_UNREADABLE,
            BAD_VALUE,
            UNKNOWN_BATH,
            BROKEN_JSON,
            TOO_LARGE,
            TOO_SLOW,
            NOT_JSON,
        ),
    )
    async def fresh_acid(body: FreshAcidBody) -> BathAnswer:
        """Its bite factor starts again. Etch factor, spread and evenness stay as learned."""
        return BathAnswer.of(await context.reading.run(_fresh_acid, context, body.bath, body.note))

    @router.post(
        "/api/coupons",
        operation_id="weighCoupon",
        summary="Keep what a weighed coupon shows of a bath's attack",
        responses=problem_responses(
            LOGBOOK_UNREADABLE,
            BAD_VALUE,
            UNKNOWN_BATH,
            BROKEN_JSON,
            TOO_LARGE,
            TOO_SLOW,
            NOT_JSON,
        ),
    )
    async def weigh_coupon(body: CouponBody) -> BathAnswer:
        """Bare metal, no current, a known time. It replaces what was assumed for this bath."""
        return BathAnswer.of(await context.reading.run(_weigh, context, body))

    return router


def _all_states(context: AppContext) -> tuple[BathState, ...]:
    return tuple(context.shelf.state(bath.name) for bath in context.shelf.baths())


def _state(context: AppContext, name: str) -> BathState:
    with _known():
        return context.shelf.state(name)


def _fresh_acid(context: AppContext, name: str, note: str) -> BathState:
    with _known():
        context.shelf.fresh_acid(name, note)
        return context.shelf.state(name)


@contextmanager
def _known() -> Iterator[None]:
    """Turn the refusal of an unknown bath into a problem of its kind."""
    try:
        yield
    except RefusedError as error:
        if error.field != "bath":
            raise
        raise ProblemError.of(UNKNOWN_BATH, error.message) from error


def _weigh(context: AppContext, body: CouponBody) -> BathState:
    with _known():
        saved = context.shelf.weigh_coupon(body.bath, body.coupon())
        return context.shelf.state(saved.name)


def _save(context: AppContext, body: BathBody) -> BathState:
    saved = context.shelf.save(
        body.name,
        body.metal,
        body.acid,
        body.volume_l,
        body.made_up_on,
        body.note,
        is_retired=body.is_retired,
        card=body.card(),
    )
    return context.shelf.state(saved.name)
