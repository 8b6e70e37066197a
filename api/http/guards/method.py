"""A method that an address does not take is refused at the door, also to those who are not paired: no PIN would help them."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from api.http.guards.base import Guard
from api.http.methods import allowed_methods, is_taken
from api.http.problems import http_problem

MOST_KNOWN = 256
"""Addresses that are known to be taken without going through all routes again: those of the API, and some runs. Then it begins
anew, so that nobody fills it with what is never asked for again."""

LONGEST_KNOWN = 100
"""Longest address kept, characters: anybody may ask for one of 100 kB, and what is kept stays as long as the daemon."""


class MethodGuard(Guard):
    """Refuses TRACE, PUT, DELETE and what else somebody thinks of, where there is something to be asked otherwise."""

    def __init__(self) -> None:
        self._taken: set[tuple[str, str]] = set()

    def refusal(self, request: Request) -> Response | None:
        """Refuse a method that is not taken at an address that takes another one."""
        asked = (request.method, request.scope["path"])
        if asked in self._taken:
            return None
        if is_taken(request, request.method):
            if len(asked[1]) <= LONGEST_KNOWN:
                if len(self._taken) >= MOST_KNOWN:
                    self._taken.clear()
                self._taken.add(asked)
            return None
        return http_problem(request, HTTPException(405)) if allowed_methods(request) else None
