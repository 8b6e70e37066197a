"""Whose programs listen on a TCP port of this machine: any user may, while no daemon runs.

The kernel's tables say it to everybody. Source: Linux kernel documentation,
networking/proc_net_tcp.rst.
"""

from __future__ import annotations

import os
import pwd
from contextlib import suppress
from pathlib import Path

TABLES = (Path("/proc/net/tcp"), Path("/proc/net/tcp6"))

USER = "biteclock"
"""The user of the installed daemon. systemd/install.sh makes it."""

_ADDRESS, _STATE, _USER_ID = 1, 3, 7
"""Columns of a table."""

_LISTENING = "0A"


def is_ours(port: int, tables: tuple[Path, ...] = TABLES) -> bool:
    """Return whether only the daemon's user, root or the caller listens on a port.

    False also where nobody listens, or where no table can be read.
    """
    users = listeners(port, tables)
    return bool(users) and users <= trusted_users()


def listeners(port: int, tables: tuple[Path, ...] = TABLES) -> frozenset[int]:
    """Return the users, by number, who listen on a port at any address."""
    users: set[int] = set()
    for table in tables:
        try:
            rows = table.read_text(encoding="ascii").splitlines()[1:]
        except OSError:  # a kernel without IPv6 has no second table
            continue
        for row in map(str.split, rows):
            if row[_STATE] == _LISTENING and int(row[_ADDRESS].rpartition(":")[2], 16) == port:
                users.add(int(row[_USER_ID]))
    return frozenset(users)


def trusted_users() -> frozenset[int]:
    """Return the users, by number, whose word counts: the caller, root, the daemon's user."""
    users = {os.geteuid(), 0}
    with suppress(KeyError):  # nothing is installed
        users.add(pwd.getpwnam(USER).pw_uid)
    return frozenset(users)
