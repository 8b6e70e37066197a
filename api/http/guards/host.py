"""The bench answers to its own names only: a foreign name that is turned to its address (DNS rebinding) gets nothing."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from functools import lru_cache

from starlette.requests import Request
from starlette.responses import Response

from api.http.guards.base import Guard
from api.http.problem_kinds import UNKNOWN_HOST
from api.http.problems import problem_response

_HOST = re.compile(
    r"(?P<name>\[[0-9a-f:.]{2,45}\]|[a-z0-9_.-]{1,253})(:[0-9]{1,5})?", re.IGNORECASE
)
"""Host = uri-host [ ":" port ], RFC 9110 section 7.2: a name, an IPv4 address, or an IPv6 address in brackets."""


class HostGuard(Guard):
    """Refuses what was sent to another name.

    An address is taken when it is loopback or the one at which the request arrived, so that addresses which change (DHCP) need
    no setting.

    :param names: host names without port.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._names = frozenset(name.lower() for name in names) | {"localhost"}

    def refusal(self, request: Request) -> Response | None:
        """Refuse a Host that is not the bench."""
        host = request.headers.get("host", "")
        match = _HOST.fullmatch(host)
        if match is not None and self._is_known(match["name"].lower(), request):
            return None
        told = f"{host[:60]!a}" if host else "no host"
        return problem_response(
            request,
            UNKNOWN_HOST,
            f"the request names {told} as the bench: use its own name or address, or add the name to server.hosts",
        )

    def _is_known(self, name: str, request: Request) -> bool:
        if name in self._names:
            return True
        address = address_in(name.strip("[]"))
        server = request.scope.get("server")
        return address is not None and (
            address.is_loopback or (server is not None and address == address_in(server[0]))
        )


@lru_cache(maxsize=64)
def address_in(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return the IP address in a text, IPv4 where it is one in the clothes of IPv6, or None."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address
