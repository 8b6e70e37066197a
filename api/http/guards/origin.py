"""Commands come from the bench's own page or from a program, never from another page in somebody's browser."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import Response

from api.access.auth import COOKIE
from api.http.guards.base import SAFE_METHODS, UPLOAD, Guard
from api.http.problem_kinds import FOREIGN_ORIGIN, NOT_JSON
from api.http.problems import problem_response


class OriginGuard(Guard):
    """Refuses unsafe requests of another origin, and bodies that a plain form could send.

    Browsers put an Origin on every such request; it must name the host that was asked. A program without a cookie may leave it
    out. Source: RFC 6454; OWASP, cross-site request forgery (from memory).
    """

    def refusal(self, request: Request) -> Response | None:
        """Refuse what may come from a foreign page."""
        if request.method in SAFE_METHODS:
            return None
        origin = request.headers.get("origin")
        if origin is not None and not _is_same(origin, request.headers.get("host", "")):
            return problem_response(
                request,
                FOREIGN_ORIGIN,
                f"the request comes from {origin[:60]!a}: use the bench's own page",
            )
        if origin is None and COOKIE in request.cookies:
            return problem_response(
                request,
                FOREIGN_ORIGIN,
                "a paired browser says where a request comes from (Origin), this one does not",
            )
        kind = media_type(request)
        if (
            request.url.path != UPLOAD
            and kind != "application/json"
            and (kind or has_body(request))
        ):
            return problem_response(
                request,
                NOT_JSON,
                f"the body is {kind or 'of no type'}: send it as application/json",
            )
        return None


def media_type(request: Request) -> str:
    """Return the type of the body without parameters, in lower case; empty when none is told."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def has_body(request: Request) -> bool:
    """Return whether a body is announced. Source: RFC 9112 section 6."""
    return (
        "transfer-encoding" in request.headers or request.headers.get("content-length", "0") != "0"
    )


def _is_same(origin: str, host: str) -> bool:
    """Return whether an origin is the page at a host. ``null``, as sandboxed pages and files have it, is not."""
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(host) and parts.netloc.lower() == host.lower()
