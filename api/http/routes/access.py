"""Pairing: a device gives the PIN once and controls from then on, until it is revoked."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Response
from starlette.requests import Request

from api.access.auth import COOKIE, Caller, caller_of
from api.access.invitation import Invitation
from api.access.pairing_book import LIFE_S, NotSavedError, PairingsFullError, UnknownPairingError
from api.access.pin_gate import TooManyTriesError
from api.http.context import AppContext
from api.http.guards.control import CHALLENGE, NOT_PAIRED
from api.http.models.access import (
    AccessAnswer,
    InvitationAnswer,
    PairBody,
    PairingList,
    PairingTold,
)
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    NOT_JSON,
    NOT_SAVED,
    PAIRING_NEEDED,
    TOO_LARGE,
    TOO_MANY_PAIRINGS,
    TOO_MANY_TRIES,
    TOO_SLOW,
    UNKNOWN_PAIRING,
    WRONG_PIN,
)
from api.http.problems import ProblemError, told_problems

PairingId = Annotated[
    str, Path(description="Name of the pairing. No unit.", examples=["5f0c77a1d2e3"], max_length=40)
]


def controlling(request: Request) -> Caller:
    """Return who calls. Raises: ProblemError for those who may not control, also where no guard stands before."""
    caller = caller_of(request)
    if caller is None:
        raise ProblemError(PAIRING_NEEDED, NOT_PAIRED, headers=CHALLENGE)
    return caller


Controlling = Annotated[Caller, Depends(controlling)]


def access_routes(context: AppContext) -> APIRouter:
    """Return the routes of the pairing."""
    router = APIRouter(tags=["pairing"])
    access = context.access

    def access_of(caller: Caller | None) -> AccessAnswer:
        pairing = (
            None
            if caller is None or caller.pairing is None
            else PairingTold.of(caller.pairing, caller)
        )
        return AccessAnswer(
            may_view=caller is not None or not access.view_needs_pairing,
            may_control=caller is not None,
            pairing=pairing,
            pin_wait_s=access.pins.wait_s(),
        )

    @router.get(
        "/api/access",
        operation_id="access",
        summary="What this device may do",
        responses=told_problems(),
    )
    async def what_may_i(request: Request) -> AccessAnswer:
        """Open to all, so that the page knows whether to ask for the PIN."""
        return access_of(caller_of(request))

    @router.post(
        "/api/pair",
        operation_id="pair",
        summary="Pair this device with the PIN",
        status_code=201,
        responses=told_problems(
            BROKEN_JSON,
            TOO_LARGE,
            TOO_SLOW,
            NOT_JSON,
            BAD_VALUE,
            WRONG_PIN,
            TOO_MANY_TRIES,
            TOO_MANY_PAIRINGS,
        ),
    )
    async def pair(body: PairBody, request: Request, response: Response) -> AccessAnswer:
        """The answer sets a cookie. After a wrong PIN everybody waits before the next try, longer each time; Stop never does."""
        whom = "somebody" if request.client is None else request.client.host
        try:
            if not access.pins.admits(body.pin.replace(" ", ""), whom):
                raise ProblemError(
                    WRONG_PIN,
                    f"this is not the PIN that stands in the daemon's terminal or log; the next try is taken in "
                    f"{access.pins.wait_s()} s",
                    retry_after_s=access.pins.wait_s(),
                )
        except TooManyTriesError as error:
            raise ProblemError(TOO_MANY_TRIES, str(error), retry_after_s=error.wait_s) from error
        before = caller_of(request)
        try:
            pairing, token = await context.reading.run(access.book.add, body.name)
        except PairingsFullError as error:
            raise ProblemError(TOO_MANY_PAIRINGS, str(error)) from error
        if before is not None and before.pairing is not None:
            await _revoke(context, before.pairing.pairing_id)
        response.set_cookie(
            COOKIE, token, max_age=LIFE_S, path="/", httponly=True, samesite="strict"
        )
        return access_of(Caller(pairing))

    @router.post(
        "/api/unpair",
        operation_id="unpair",
        summary="End the pairing of this device",
        responses=told_problems(PAIRING_NEEDED, UNKNOWN_PAIRING, NOT_SAVED),
    )
    async def unpair(caller: Controlling, response: Response) -> AccessAnswer:
        """It may look and stop afterwards."""
        if caller.pairing is None:
            raise ProblemError(
                UNKNOWN_PAIRING, "the bench itself is not paired and cannot be unpaired"
            )
        await _revoke(context, caller.pairing.pairing_id)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return access_of(None)

    @router.get(
        "/api/pairings",
        operation_id="listPairings",
        summary="The paired devices",
        responses=told_problems(PAIRING_NEEDED),
    )
    async def pairings(caller: Controlling) -> PairingList:
        """For those who may control."""
        return PairingList.of(access.book.pairings(), caller)

    @router.post(
        "/api/pairings/{pairing_id}/revoke",
        operation_id="revokePairing",
        summary="End the pairing of a device",
        responses=told_problems(PAIRING_NEEDED, UNKNOWN_PAIRING, NOT_SAVED, BAD_VALUE),
    )
    async def revoke(pairing_id: PairingId, caller: Controlling) -> PairingList:
        """It takes effect at once."""
        await _revoke(context, pairing_id)
        return PairingList.of(access.book.pairings(), caller)

    @router.get(
        "/api/pairing",
        operation_id="invitation",
        summary="PIN and QR code for another device",
        responses=told_problems(PAIRING_NEEDED),
    )
    async def invitation(_caller: Controlling, request: Request) -> InvitationAnswer:
        """For those who may control: a paired device, or the bench itself by the token in its state directory."""
        return InvitationAnswer.of(_invitation(context, request))

    @router.post(
        "/api/pairing/new",
        operation_id="newPin",
        summary="Draw another PIN, and take it at once",
        responses=told_problems(PAIRING_NEEDED),
    )
    async def new_pin(_caller: Controlling, request: Request) -> InvitationAnswer:
        """Ends the wait that wrong PINs have caused. Devices that are paired stay so."""
        access.pins.renew()
        return InvitationAnswer.of(_invitation(context, request))

    return router


async def _revoke(context: AppContext, pairing_id: str) -> None:
    try:
        await context.reading.run(context.access.book.revoke, pairing_id)
    except UnknownPairingError as error:
        raise ProblemError(UNKNOWN_PAIRING, str(error)) from error
    except NotSavedError as error:
        raise ProblemError(NOT_SAVED, str(error)) from error


def _invitation(context: AppContext, request: Request) -> Invitation:
    """Return the invitation; first the address that the one who asks has come by, unless that is good for the Pi only."""
    addresses = tuple(context.addresses())
    came_by = f"http://{request.headers.get('host', '')}/"
    return Invitation(
        context.access.pins.pin, tuple(sorted(addresses, key=lambda address: address != came_by))
    )
