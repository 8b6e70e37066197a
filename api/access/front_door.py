"""Where page and API listen, and the addresses under which they are reached."""

from __future__ import annotations

import socket

from api.access.addresses import own_addresses, own_names
from api.access.invitation import base_addresses
from controller.config import ServerSettings
from controller.errors import RefusedError

BACKLOG = 128
LOOPBACK = "127.0.0.1"


def listening_socket(server: ServerSettings, port: int) -> socket.socket:
    """Return the listening socket, for IPv4 and IPv6 on the studio's network, where phones look up a .local name in both.

    :param port: 0 takes a free one.
    Raises: RefusedError when the port is taken.
    """
    host = LOOPBACK if server.listen == "loopback" else ""
    try:
        if host or not socket.has_dualstack_ipv6():
            return socket.create_server((host, port), backlog=BACKLOG)
        return socket.create_server(
            (host, port), family=socket.AF_INET6, backlog=BACKLOG, dualstack_ipv6=True
        )
    except OSError as error:
        raise RefusedError(
            f"cannot listen on {host or 'the network,'} port {port}: {error.strerror}. Is another biteclock running? "
            "Give another --port",
            field="port",
        ) from error


def bench_addresses(server: ServerSettings, port: int) -> tuple[str, ...]:
    """Return the base addresses of the page, numbers before names: every phone can open a number. Changes with the network."""
    if server.listen == "loopback":
        return base_addresses((LOOPBACK,), port)
    local = tuple(name for name in own_names() if name.endswith(".local"))
    return base_addresses((*own_addresses(), *local, *server.hosts), port)
