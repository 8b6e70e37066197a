"""The names and addresses under which a phone reaches this machine."""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct

SIOCGIFADDR = 0x8915
"""Asks the kernel for an interface's IPv4 address. Source: netdevice(7), linux/sockios.h."""


def own_names() -> tuple[str, ...]:
    """Return the machine's host name, and its name in multicast DNS (RFC 6762)."""
    name = socket.gethostname().lower()
    short = name.partition(".")[0]
    return tuple(dict.fromkeys((name, short, f"{short}.local")))


def own_addresses() -> tuple[str, ...]:
    """Return the machine's IPv4 addresses without loopback.

    Empty when there is no network, or when the system does not list its interfaces.
    """
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            interfaces = socket.if_nameindex()
        except OSError:  # no netlink: the service's unit allows few kinds of sockets
            return ()
        for _, interface in interfaces:
            try:
                reply = fcntl.ioctl(
                    probe, SIOCGIFADDR, struct.pack("256s", interface.encode()[:15])
                )
            except OSError:  # the interface has no IPv4 address
                continue
            address = ipaddress.IPv4Address(reply[20:24])
            if not address.is_loopback:
                found.append(str(address))
    return tuple(found)
