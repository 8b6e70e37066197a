"""Only paired devices control. Everybody may look, unless the settings say otherwise."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from api.access.auth import CALLER, Access, caller_of
from api.http.guards.base import ACCESS, METRICS, PAIR, SAFE_METHODS, Guard, is_of_artworks
from api.http.guards.host import address_in
from api.http.page_files import API_PREFIX
from api.http.problem_kinds import PAIRING_NEEDED
from api.http.problems import ProblemError, problem_response
from controller.texts import Message

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="biteclock"'}
"""Source: RFC 9110 section 15.5.2, RFC 6750 section 3. Browsers open no dialogue for it."""

NOT_PAIRED = "http.guard.not_paired"


class ControlGuard(Guard):
    """Puts the caller into the scope and refuses commands from devices that are not paired.

    Artworks, their names and their pictures are for paired devices: they are a person's designs,
    and a picture starts a process that others would have to wait for. A setting may restrict all
    looking. The Pi itself may look even then, and the page's files stay open to all, because they
    ask for the PIN.
    """

    def __init__(self, access: Access) -> None:
        self._access = access

    def refusal(self, request: Request) -> Response | None:
        """Refuse a request that needs a paired device and has none."""
        caller = self._access.caller(request)
        if caller is not None:
            request.scope[CALLER] = caller
            return None
        path = request.scope["path"]
        if request.method in SAFE_METHODS:
            is_open = not is_of_artworks(path) and (
                not self._access.view_needs_pairing
                or not (path.startswith(API_PREFIX + "/") or path == METRICS)
                or path == ACCESS
                or _is_from_this_machine(request)
            )
        else:
            is_open = path == PAIR
        return (
            None
            if is_open
            else problem_response(request, PAIRING_NEEDED, Message(NOT_PAIRED), headers=CHALLENGE)
        )


async def refuse_if_revoked(request: Request) -> None:
    """Refuse a device that was revoked since the head of its request arrived.

    The guard looks at the head alone, and a body may take half an hour. Raises: ProblemError.
    """
    access: Access = request.app.state.access
    if not access.may_still_control(caller_of(request)):
        raise ProblemError(PAIRING_NEEDED, NOT_PAIRED, headers=CHALLENGE)


def _is_from_this_machine(request: Request) -> bool:
    """Return whether a request was sent on the Pi itself.

    No header proves that: anybody can send X-Forwarded-For.
    """
    address = None if request.client is None else address_in(request.client.host)
    return address is not None and address.is_loopback
