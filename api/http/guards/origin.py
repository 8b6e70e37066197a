"""Commands come from the controller's own page or from a program, never from a foreign page."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import Response

from api.access.auth import COOKIE
from api.http.guards.base import RESTORE, SAFE_METHODS, UPLOAD, Guard
from api.http.problem_kinds import FOREIGN_ORIGIN, NOT_JSON
from api.http.problems import problem_response
from controller.texts import Message


class OriginGuard(Guard):
    """Refuses unsafe requests from another origin, and bodies that a plain form could send.

    Browsers put an Origin on every such request. It must name the host of the request. A program
    without a cookie may leave it out.

    Source: RFC 6454; OWASP, cross-site request forgery (from memory).
    """

    def refusal(self, request: Request) -> Response | None:
        """Refuse a request that may come from a foreign page."""
        if request.method in SAFE_METHODS:
            return None
        origin = request.headers.get("origin")
        if origin is not None and not _is_same(origin, request.headers.get("host", "")):
            return problem_response(
                request,
                FOREIGN_ORIGIN,
                Message("http.guard.foreign_origin", {"origin": ascii(origin[:60])}),
            )
        if origin is None and COOKIE in request.cookies:
            return problem_response(
                request,
                FOREIGN_ORIGIN,
                Message("http.guard.no_origin"),
            )
        kind = media_type(request)
        if (
            request.url.path not in (UPLOAD, RESTORE)
            and kind != "application/json"
            and (kind or has_body(request))
        ):
            return problem_response(request, NOT_JSON, not_json(kind))
        return None


def media_type(request: Request) -> str:
    """Return the type of the body without parameters, in lower case. Empty without a type."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def not_json(kind: str) -> Message:
    """Return the refusal of a body that is not JSON.

    :param kind: as from ``media_type``.
    """
    if not kind:
        return Message("http.request.not_json_untyped")
    return Message("http.request.not_json", {"media_type": kind})


def has_body(request: Request) -> bool:
    """Return whether a body is announced. Source: RFC 9112 section 6."""
    return (
        "transfer-encoding" in request.headers or request.headers.get("content-length", "0") != "0"
    )


def _is_same(origin: str, host: str) -> bool:
    """Return whether an origin is the page at a host.

    ``null``, the origin of sandboxed pages and of files, is not.
    """
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(host) and parts.netloc.lower() == host.lower()
