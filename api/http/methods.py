"""Which methods an address takes."""

from __future__ import annotations

from starlette.requests import Request
from starlette.routing import Match

from api.http.page_files import API_PREFIX

TAKEN = ("GET", "HEAD", "POST")
"""All methods that any address takes."""

PAGE_METHODS = ("GET", "HEAD")
"""Those that the page's files take."""


def allowed_methods(request: Request) -> str:
    """Return the methods that the address of a request takes, as Allow wants them; empty for none.

    Source: RFC 9110 section 10.2.1. The framework itself names those of the first route with that path only.
    """
    return ", ".join(method for method in TAKEN if is_taken(request, method))


def is_taken(request: Request, method: str) -> bool:
    """Return whether the address of a request takes a method."""
    if not request.scope["path"].startswith(API_PREFIX + "/"):
        return method in PAGE_METHODS
    scope = {**request.scope, "method": method}
    return any(route.matches(scope)[0] is Match.FULL for route in request.app.router.routes)
