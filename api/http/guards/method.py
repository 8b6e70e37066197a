"""A method that an address does not take is refused first: no PIN would help."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from api.http.guards.base import Guard
from api.http.methods import allowed_methods, is_taken
from api.http.problems import http_problem

MOST_KNOWN = 256
"""Most addresses remembered as valid: those of the API, and some runs.

They save a search through all routes. A full memory is emptied, so that nobody can fill it with
addresses that are never used again.
"""

LONGEST_KNOWN = 100
"""Longest address remembered, characters. Anybody may send an address of 100 kB."""


class MethodGuard(Guard):
    """Refuses TRACE, PUT, DELETE and the like where an address takes another method."""

    def __init__(self) -> None:
        self._taken: set[tuple[str, str]] = set()

    def refusal(self, request: Request) -> Response | None:
        """Refuse a method when the address takes only others."""
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
