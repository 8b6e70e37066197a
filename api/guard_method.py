"""A method that an address does not take is refused at the door, also to those who are not paired: no PIN would help them."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from api.guard import Guard
from api.methods import allowed_methods, is_taken
from api.problems import http_problem


class MethodGuard(Guard):
    """Refuses TRACE, PUT, DELETE and what else somebody thinks of, where there is something to be asked otherwise."""

    def refusal(self, request: Request) -> Response | None:
        """Refuse a method that is not taken at an address that takes another one."""
        if is_taken(request, request.method) or not allowed_methods(request):
            return None
        return http_problem(request, HTTPException(405))
