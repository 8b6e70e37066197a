"""Only the machine's own names are answered, which keeps DNS rebinding out."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Container, Iterable, Sequence
from functools import lru_cache
from html import escape

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from api.access.auth import is_local
from api.http.guards.base import SAFE_METHODS, Guard
from api.http.problem_kinds import UNKNOWN_HOST
from api.http.problems import problem_response
from controller.texts import Message, text

_HOST = re.compile(
    r"(?P<name>\[[0-9a-f:.]{2,45}\]|[a-z0-9_.-]{1,253})(:[0-9]{1,5})?", re.IGNORECASE
)
"""Host = uri-host [ ":" port ]: a name, an IPv4 address, or an IPv6 address in brackets.

Source: RFC 9110 section 7.2.
"""


_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{title}</title>
<h1>{title}</h1>
<p>{what}</p>
<ul>{links}</ul>
<p>{further}</p>
</html>
"""


class HostGuard(Guard):
    """Refuses requests that were sent to another name.

    Loopback addresses pass, and so does the address at which the request arrived. An address that
    changes (DHCP) therefore needs no setting. A browser gets a page with the addresses that work.

    :param names: host names without port.
    :param network_names: returns the names that the network gives the machine now.
    :param addresses: returns the base addresses of the page.
    """

    def __init__(
        self,
        names: Iterable[str],
        network_names: Callable[[], Container[str]] = tuple,
        addresses: Callable[[], Sequence[str]] = tuple,
    ) -> None:
        self._names = frozenset(name.lower() for name in names) | {"localhost"}
        self._network_names = network_names
        self._addresses = addresses

    def refusal(self, request: Request) -> Response | None:
        """Refuse a request for another host."""
        if is_local(request):  # no name led to the socket, so none can be turned to it
            return None
        host = request.headers.get("host", "")
        match = _HOST.fullmatch(host)
        if match is not None and self._is_known(match["name"].lower(), request):
            return None
        detail = (
            Message("http.guard.unknown_host", {"host": ascii(host[:60])})
            if host
            else Message("http.guard.no_host")
        )
        if request.method in SAFE_METHODS and "text/html" in request.headers.get("accept", ""):
            return misdirected_page(self._addresses())
        return problem_response(request, UNKNOWN_HOST, detail)

    def _is_known(self, name: str, request: Request) -> bool:
        if name in self._names:
            return True
        address = address_in(name.strip("[]"))
        if address is None:
            return name in self._network_names()
        server = request.scope.get("server")
        return address.is_loopback or (server is not None and address == address_in(server[0]))


def misdirected_page(addresses: Iterable[str]) -> HTMLResponse:
    """Return the page for a person who used another name. It does not repeat that name."""
    links = "".join(f'<li><a href="{escape(it)}">{escape(it)}</a></li>' for it in addresses)
    return HTMLResponse(
        _PAGE.format(
            title=escape(text("http.misdirected.title")),
            what=escape(text("http.misdirected.what")),
            links=links,
            further=escape(text("http.misdirected.further")),
        ),
        status_code=UNKNOWN_HOST.status,
        headers={"Cache-Control": "no-store"},
    )


@lru_cache(maxsize=64)
def address_in(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return the IP address in a text, or None. IPv4-mapped IPv6 addresses are unwrapped."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address
