"""Sockets that the service manager keeps while the daemon restarts, so that nobody takes them.

Between two lives of the daemon the listening socket stays open in the manager. No program on the
Pi can take the port, and clients that connect in the meantime wait. The store is empty again when
the service is stopped: it never starts a stopped daemon, as a socket unit would.

Source: sd_pid_notify_with_fds(3), sd_listen_fds(3), systemd.service(5) FileDescriptorStoreMax=.
"""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping
from contextlib import suppress

from hardware.notify import ServiceNotifier

FIRST_DESCRIPTOR = 3
"""Source: sd_listen_fds(3), SD_LISTEN_FDS_START."""


class DescriptorStore:
    """The sockets that came from an earlier life of the daemon, by name.

    :param sockets: what the manager passed on.
    """

    def __init__(self, notifier: ServiceNotifier, sockets: dict[str, socket.socket]) -> None:
        self._notifier = notifier
        self._sockets = sockets

    @classmethod
    def from_environment(
        cls, environment: MutableMapping[str, str], notifier: ServiceNotifier
    ) -> DescriptorStore:
        """Return the store of this process, and remove it from the environment.

        Child processes therefore never look for the sockets. A socket of another process is left
        alone.
        """
        pid, count = environment.pop("LISTEN_PID", ""), environment.pop("LISTEN_FDS", "")
        names = environment.pop("LISTEN_FDNAMES", "").split(":")
        sockets: dict[str, socket.socket] = {}
        if pid == str(os.getpid()) and count.isdecimal():
            descriptors = range(FIRST_DESCRIPTOR, FIRST_DESCRIPTOR + int(count))
            for name, descriptor in zip(names, descriptors, strict=False):
                with suppress(OSError):
                    os.set_inheritable(descriptor, False)
                    sockets[name] = socket.socket(fileno=descriptor)
        return cls(notifier, sockets)

    def take(self, name: str) -> socket.socket | None:
        """Return the socket of a name, or None. Whoever takes it closes it."""
        return self._sockets.pop(name, None)

    def keep(self, name: str, kept: socket.socket) -> None:
        """Have the manager keep a socket of which it has no copy yet."""
        self._notifier.keep(name, kept.fileno())

    def forget(self, name: str) -> None:
        """Have the manager close its copy of a socket that is of no more use."""
        self._notifier.forget(name)
