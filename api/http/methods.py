"""The methods that an address takes."""

from __future__ import annotations

from starlette.requests import Request
from starlette.routing import Match

from api.http.page_files import API_PREFIX

TAKEN = ("GET", "HEAD", "POST")
"""All methods that any address takes."""

PAGE_METHODS = ("GET", "HEAD")
"""Those that the page's files take."""


def allowed_methods(request: Request) -> str:
    """Return the methods that the address of a request takes, for the header Allow. May be empty.

    The framework itself names only those of the first route with that path.

    Source: RFC 9110 section 10.2.1.
    """
    return ", ".join(method for method in TAKEN if is_taken(request, method))


def is_taken(request: Request, method: str) -> bool:
    """Return whether the address of a request takes a method."""
    if not request.scope["path"].startswith(API_PREFIX + "/"):
        return method in PAGE_METHODS
    scope = {**request.scope, "method": method}
    return any(route.matches(scope)[0] is Match.FULL for route in request.app.router.routes)
