"""The socket of page and API, and the addresses that lead to it."""

from __future__ import annotations

import socket

from api.access.addresses import own_addresses, own_names
from api.access.pairing_code import base_addresses
from controller.config import ServerSettings
from controller.errors import RefusedError

BACKLOG = 1024
"""Connections that wait for the door. The kernel drops more, and their clients wait 1 s."""
LOOPBACK = "127.0.0.1"


def listening_socket(server: ServerSettings, port: int) -> socket.socket:
    """Return the listening socket.

    On the studio's network it takes IPv4 and IPv6, because phones look up a .local name in both.

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
        reason = error.strerror or str(error)
        if not host:
            raise RefusedError(
                "http.startup.port_taken_network", field="port", port=port, system_message=reason
            ) from error
        raise RefusedError(
            "http.startup.port_taken", field="port", host=host, port=port, system_message=reason
        ) from error


def page_addresses(server: ServerSettings, port: int) -> tuple[str, ...]:
    """Return the base addresses of the page. They change with the network.

    Numbers come before names, because every phone can open a number.
    """
    if server.listen == "loopback":
        return base_addresses((LOOPBACK,), port)
    local = tuple(name for name in own_names() if name.endswith(".local"))
    return base_addresses((*own_addresses(), *local, *server.hosts), port)
