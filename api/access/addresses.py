"""The names and addresses under which a phone reaches this machine."""

from __future__ import annotations

import fcntl
import ipaddress
import re
import socket
import struct
from pathlib import Path

SIOCGIFADDR = 0x8915
"""Asks the kernel for an interface's IPv4 address. Source: netdevice(7), linux/sockios.h."""

MOST_ALIKE = 99
"""Most benches of one name in a network whose names are accepted."""

RESOLVER_FILE = Path("/etc/resolv.conf")
"""Names the network's search domains, from DHCP. Source: resolv.conf(5)."""

_DOMAIN = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*")


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


def network_names(resolver_file: Path = RESOLVER_FILE) -> frozenset[str]:
    """Return the names that the network may give this machine, besides ``own_names``.

    A second machine of one name becomes name-2.local (RFC 6762 section 9). A router's own name
    server knows the machine under the search domains that it hands out.
    """
    short = socket.gethostname().lower().partition(".")[0]
    numbered = (f"{short}-{number}.local" for number in range(2, MOST_ALIKE + 1))
    return frozenset((*numbered, *(f"{short}.{it}" for it in search_domains(resolver_file))))


def search_domains(resolver_file: Path = RESOLVER_FILE) -> tuple[str, ...]:
    """Return the search domains of the network. The last ``search`` or ``domain`` line counts.

    Empty without the file, as without a network.
    """
    try:
        lines = resolver_file.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return ()
    words = [line.split() for line in lines]
    found = next((it[1:] for it in reversed(words) if it[:1] in (["search"], ["domain"])), [])
    domains = (domain.lower().rstrip(".") for domain in found)
    return tuple(domain for domain in domains if _DOMAIN.fullmatch(domain))
