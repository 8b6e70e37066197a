"""Reports the daemon's state to systemd, one datagram for each message.

Source: sd_notify(3), sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket
from array import array
from collections.abc import Mapping


class ServiceNotifier:
    """Sends to the service manager, or does nothing without an address.

    The loop calls it, so it never raises and never waits.

    :param address: $NOTIFY_SOCKET, a path or an abstract name that begins with ``@``, or None.
    :param period_s: shortest time between two feeds of the watchdog, s, or None without a watchdog.
    """

    def __init__(self, address: str | None, period_s: float | None = None) -> None:
        self._address = address
        self.period_s = period_s
        self._alive_at_s: float | None = None

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> ServiceNotifier:
        """Return the notifier for the service manager of this process.

        The period is half the watchdog time. Source: sd_watchdog_enabled(3): WATCHDOG_USEC holds
        for the process WATCHDOG_PID, and half of it is advised.
        """
        period_s = None
        if environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid()):
            microseconds = environment.get("WATCHDOG_USEC", "")
            period_s = (
                int(microseconds) / 2e6
                if microseconds.isdecimal() and int(microseconds) > 0
                else None
            )
        return cls(environment.get("NOTIFY_SOCKET") or None, period_s)

    def ready(self) -> None:
        """Report that the daemon is up: the relay is off and the loop runs."""
        self._send("READY=1")

    def stopping(self) -> None:
        """Report that the daemon is shutting down."""
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """Show one line in ``systemctl status``."""
        self._send("STATUS=" + " ".join(text.split()))

    def alive(self, now_s: float) -> None:
        """Feed the watchdog if ``period_s`` has passed since it was last fed.

        Call it only after a completed tick.

        :param now_s: monotonic time, s.
        """
        if self.period_s is None:
            return
        due = self._alive_at_s is None or now_s - self._alive_at_s >= self.period_s
        if due and self._send("WATCHDOG=1"):
            self._alive_at_s = now_s

    def keep(self, name: str, descriptor: int) -> None:
        """Give the manager a copy of a descriptor, to be passed on to the next life of the daemon.

        Source: sd_notify(3), FDSTORE=1.
        """
        self._send(f"FDSTORE=1\nFDNAME={name}", descriptor)

    def forget(self, name: str) -> None:
        """Have the manager close its copies of a name. Source: sd_notify(3), FDSTOREREMOVE=1."""
        self._send(f"FDSTOREREMOVE=1\nFDNAME={name}")

    def _send(self, message: str, *descriptors: int) -> bool:
        """Send one datagram and return whether it left.

        A manager that does not listen must not stop a run.
        """
        if self._address is None:
            return False
        name = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array("i", descriptors))]
                words = [message.encode(errors="replace")]
                sender.sendmsg(words, rights if descriptors else [], 0, name)
        except OSError:
            return False
        return True
