"""Control is for those who have been shown the PIN at the bench; looking is for everybody, unless the settings say otherwise."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from api.access.auth import CALLER, Access
from api.http.guards.base import ACCESS, PAIR, SAFE_METHODS, Guard
from api.http.guards.host import address_in
from api.http.page_files import API_PREFIX
from api.http.problem_kinds import PAIRING_NEEDED
from api.http.problems import problem_response

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="biteclock"'}
"""Source: RFC 9110 section 15.5.2, RFC 6750 section 3. Browsers open no dialogue of their own for it."""

NOT_PAIRED = "this device is not paired with the bench: give the PIN that stands in the daemon's terminal or log. Stop needs no PIN"


class ControlGuard(Guard):
    """Finds out who calls, leaves that in the scope, and refuses commands of those who are not paired.

    Where looking needs a pairing, too, it does not on the Pi itself, and the page's files are open to all: they ask for the PIN.
    """

    def __init__(self, access: Access) -> None:
        self._access = access

    def refusal(self, request: Request) -> Response | None:
        """Refuse what needs a pairing and has none."""
        caller = self._access.caller(request)
        if caller is not None:
            request.scope[CALLER] = caller
            return None
        path = request.scope["path"]
        if request.method in SAFE_METHODS:
            is_open = (
                not self._access.view_needs_pairing
                or not path.startswith(API_PREFIX + "/")
                or path == ACCESS
                or _is_here(request)
            )
        else:
            is_open = path == PAIR
        return (
            None
            if is_open
            else problem_response(request, PAIRING_NEEDED, NOT_PAIRED, headers=CHALLENGE)
        )


def _is_here(request: Request) -> bool:
    """Return whether the request was sent on the Pi itself. No header says so: X-Forwarded-For is anybody's word."""
    address = None if request.client is None else address_in(request.client.host)
    return address is not None and address.is_loopback
