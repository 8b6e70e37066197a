"""What every answer tells the browser: no frames, no guessed types, no foreign scripts; those of the API are of this moment."""

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
"""No script or style but the page's own files, none inline; nothing is fetched from elsewhere. Source: W3C CSP level 3."""

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
    """Return headers as they go over the wire."""
    return tuple(
        (name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()
    )


def with_headers(message: Message, more: RawHeaders) -> Message:
    """Return a message with such headers as it does not have; only the start of an answer has any."""
    if message["type"] != "http.response.start":
        return message
    there = list(message["headers"])
    names = {name.lower() for name, _ in there}
    return {**message, "headers": [*there, *(pair for pair in more if pair[0] not in names)]}


_OF_PAGE = raw_headers(SAFE_HEADERS)
_OF_API = raw_headers({**SAFE_HEADERS, "Cache-Control": "no-store"})
"""Nobody keeps an answer of the API, unless it says otherwise itself."""


class AnswerHeaders:
    """Puts the headers on each answer, those of the guards inside it too."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and mark its answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        more = _OF_API if scope["path"].startswith(API_PREFIX + "/") else _OF_PAGE

        async def marked(message: Message) -> None:
            await send(with_headers(message, more))

        await self._app(scope, receive, marked)
