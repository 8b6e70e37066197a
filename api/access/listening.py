"""The socket of page and API, and the addresses that lead to it."""

from __future__ import annotations

import socket
from typing import Protocol

from api.access.addresses import own_addresses, own_names
from api.access.pairing_code import base_addresses
from controller.config import ServerSettings
from controller.errors import RefusedError

BACKLOG = 2048
"""Connections that wait for the door. The kernel drops more, and their clients wait 1 s."""
LOOPBACK = "127.0.0.1"


PAGE_SOCKET = "page"
"""Name of the listening socket in the service manager's store."""


class SocketStore(Protocol):
    """Where a listening socket stays while the daemon restarts."""

    def take(self, name: str) -> socket.socket | None:
        """Return the socket of a name, or None."""
        ...

    def keep(self, name: str, kept: socket.socket) -> None:
        """Keep a socket."""
        ...

    def forget(self, name: str) -> None:
        """Keep the socket of a name no longer."""
        ...


def kept_listening_socket(server: ServerSettings, port: int, store: SocketStore) -> socket.socket:
    """Return the listening socket of an earlier life of the daemon, or else a new one.

    The port is never free in between, and no other program can take it. When the settings ask for
    another port or other addresses now, the old socket is given up.

    :param port: 0 takes a free one.

    Raises: RefusedError when the port is taken.
    """
    kept = store.take(PAGE_SOCKET)
    if kept is not None:
        if port != 0 and _address_of(kept) == _wanted_address(server, port):
            kept.listen(BACKLOG)
            return kept
        kept.close()
        store.forget(PAGE_SOCKET)
    made = listening_socket(server, port)
    store.keep(PAGE_SOCKET, made)
    return made


def _address_of(listener: socket.socket) -> tuple[str, int] | None:
    """Return where a socket listens, or None when it is no listening socket of TCP."""
    try:
        is_listening = listener.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN)
        if listener.type != socket.SOCK_STREAM or not is_listening:
            return None
        host, port = listener.getsockname()[:2]
    except (OSError, ValueError):
        return None
    return host, port


def _wanted_address(server: ServerSettings, port: int) -> tuple[str, int]:
    if server.listen == "loopback":
        return LOOPBACK, port
    every = "::" if socket.has_dualstack_ipv6() else "0.0.0.0"  # noqa: S104 compared only
    return every, port


def listening_socket(server: ServerSettings, port: int) -> socket.socket:
    """Return a new listening socket.

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
