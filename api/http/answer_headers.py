"""Headers on every response: no frames, no guessed types, no foreign scripts, no cached status."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.page_files import API_PREFIX

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "media-src 'self' data: blob:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
        "form-action 'self'",
    )
)
"""Scripts and styles come from the page's own files, never inline, never from elsewhere.

Source: W3C CSP level 3.
"""

SAFE_HEADERS = MappingProxyType(
    {
        "Content-Security-Policy": CONTENT_SECURITY_POLICY,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
        "Cross-Origin-Resource-Policy": "same-origin",
    }
)

RawHeaders = tuple[tuple[bytes, bytes], ...]


def raw_headers(headers: Mapping[str, str]) -> RawHeaders:
    """Return headers in the form of ASGI."""
    return tuple(
        (name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()
    )


def with_headers(message: Message, more: RawHeaders) -> Message:
    """Return the start of a response with those headers that it lacks, other messages unchanged."""
    if message["type"] != "http.response.start":
        return message
    present = list(message["headers"])
    names = {name.lower() for name, _ in present}
    return {**message, "headers": [*present, *(pair for pair in more if pair[0] not in names)]}


_OF_PAGE = raw_headers(SAFE_HEADERS)
_OF_API = raw_headers({**SAFE_HEADERS, "Cache-Control": "no-store"})
"""No response of the API is cached, unless a route says otherwise."""


class AnswerHeaders:
    """Puts the headers on each response, including those of the guards."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and add the headers to its response."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        more = _OF_API if scope["path"].startswith(API_PREFIX + "/") else _OF_PAGE

        async def with_more(message: Message) -> None:
            await send(with_headers(message, more))

        await self._app(scope, receive, with_more)
