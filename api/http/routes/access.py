"""Pairing: a device gives the PIN once and may control until it is revoked."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Response
from starlette.requests import Request

from api.access.auth import COOKIE, Caller, caller_of
from api.access.pairing_code import PairingCode
from api.access.pairing_store import LIFE_S
from api.access.shares import peer_of
from api.http.context import AppContext
from api.http.guards.control import CHALLENGE, NOT_PAIRED
from api.http.guards.host import address_in
from api.http.models.access import (
    AccessAnswer,
    PairBody,
    PairingAnswer,
    PairingCodeAnswer,
    PairingList,
)
from api.http.problem_documents import problem_responses
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
from api.http.problems import ProblemError

PairingId = Annotated[
    str, Path(description="Name of the pairing. No unit.", examples=["5f0c77a1d2e3"], max_length=40)
]


def controlling(request: Request) -> Caller:
    """Return the caller. Raises: ProblemError for a device that may not control.

    This check does not rely on a guard.
    """
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
            else PairingAnswer.of(caller.pairing, caller)
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
        responses=problem_responses(),
    )
    async def what_may_i(request: Request) -> AccessAnswer:
        """Everybody may ask, so that the page knows whether to ask for the PIN."""
        return access_of(caller_of(request))

    @router.post(
        "/api/pair",
        operation_id="pair",
        summary="Pair this device with the PIN",
        status_code=201,
        responses=problem_responses(
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
        """The response sets a cookie.

        After a wrong PIN nobody may try for a while, longer each time. Stop never waits.
        """
        caller = _address_of(request)
        if not access.pins.admits(body.pin.replace(" ", ""), caller):
            wait_s = access.pins.wait_s()
            raise ProblemError(
                WRONG_PIN,
                "http.pairing.wrong_pin",
                members={"retry_after_s": wait_s},
                wait_s=wait_s,
            )
        before = caller_of(request)
        pairing, token = await context.reading.run(access.store.add, body.name, caller)
        if before is not None and before.pairing is not None:
            await context.reading.run(access.store.revoke, before.pairing.pairing_id)
        response.set_cookie(
            COOKIE, token, max_age=LIFE_S, path="/", httponly=True, samesite="strict"
        )
        return access_of(Caller(pairing))

    @router.post(
        "/api/unpair",
        operation_id="unpair",
        summary="End the pairing of this device",
        responses=problem_responses(PAIRING_NEEDED, UNKNOWN_PAIRING, NOT_SAVED),
    )
    async def unpair(caller: Controlling, response: Response) -> AccessAnswer:
        """It may still look and stop."""
        if caller.pairing is None:
            raise ProblemError(UNKNOWN_PAIRING, "http.pairing.controller_itself")
        await context.reading.run(access.revoke, caller.pairing.pairing_id)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return access_of(None)

    @router.get(
        "/api/pairings",
        operation_id="listPairings",
        summary="The paired devices",
        responses=problem_responses(PAIRING_NEEDED),
    )
    async def pairings(caller: Controlling) -> PairingList:
        """For devices that may control."""
        return PairingList.of(access.store.pairings(), caller)

    @router.post(
        "/api/pairings/{pairing_id}/revoke",
        operation_id="revokePairing",
        summary="End the pairing of a device",
        responses=problem_responses(PAIRING_NEEDED, UNKNOWN_PAIRING, NOT_SAVED, BAD_VALUE),
    )
    async def revoke(pairing_id: PairingId, caller: Controlling) -> PairingList:
        """It takes effect at once, and a new PIN is made."""
        await context.reading.run(access.revoke, pairing_id)
        return PairingList.of(access.store.pairings(), caller)

    @router.post(
        "/api/pairings/revoke-all",
        operation_id="revokeAllPairings",
        summary="End the pairing of every device, this one included",
        responses=problem_responses(PAIRING_NEEDED, NOT_SAVED),
    )
    async def revoke_all(caller: Controlling) -> PairingList:
        """It takes effect at once, and a new PIN is made."""
        await context.reading.run(access.revoke_all)
        return PairingList.of(access.store.pairings(), caller)

    @router.get(
        "/api/pairing",
        operation_id="invitation",
        summary="PIN and QR code for another device",
        responses=problem_responses(PAIRING_NEEDED),
    )
    async def pairing_code(_caller: Controlling, request: Request) -> PairingCodeAnswer:
        """For paired devices, and for programs with the token in the daemon's state directory."""
        return _pairing_answer(context, request)

    @router.post(
        "/api/pairing/new",
        operation_id="newPin",
        summary="Draw a new PIN, which is valid at once",
        responses=problem_responses(PAIRING_NEEDED),
    )
    async def new_pin(_caller: Controlling, request: Request) -> PairingCodeAnswer:
        """The old PIN expires, and the wait after wrong PINs ends. Paired devices stay paired."""
        access.pins.renew()
        return _pairing_answer(context, request)

    return router


def _address_of(request: Request) -> str | None:
    """Return the address from which a request came, in one form for each device, or None."""
    host = peer_of(request.scope)
    address = None if host is None else address_in(host)
    return host if address is None else str(address)


def _pairing_answer(context: AppContext, request: Request) -> PairingCodeAnswer:
    """Return the pairing code. The address of this request comes first if a phone can use it."""
    addresses = tuple(context.addresses())
    used = f"http://{request.headers.get('host', '')}/"
    pins = context.access.pins
    code = PairingCode(pins.pin, tuple(sorted(addresses, key=lambda address: address != used)))
    return PairingCodeAnswer.of(code, pins.left_s(), context.name)
