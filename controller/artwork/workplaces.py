"""Where a worker runs: in a process of this user, or in the system's artwork service.

Both speak as ``controller/artwork/exchange.py`` describes. Standard library only.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from controller.artwork.result import MeasureFailedError

_CONNECT_LIMIT_S = 10.0


@dataclass(frozen=True, slots=True)
class Workplace:
    """Where workers run, and whether they may run unconfined.

    :param service: the socket of the system's artwork service; None starts a process of this user.
    :param accept_unconfined: also where nothing keeps a worker from reaching beyond its file.
    """

    service: Path | None = None
    accept_unconfined: bool = False


HERE = Workplace()
"""A process of this user, confined."""


class OwnWorker:
    """A process that was started here. Killed and collected at the end of the context."""

    def __init__(self, module: str, errors: int) -> None:
        root = Path(__file__).resolve().parents[2]
        self.connection, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 our own modules
                [sys.executable, "-m", module],
                stdin=theirs.fileno(),
                stdout=subprocess.DEVNULL,
                stderr=errors,
                cwd=root,
                env={"PATH": os.defpath, "LANG": "C.UTF-8", "PYTHONPATH": str(root)},
                start_new_session=True,
            )

    def __enter__(self) -> OwnWorker:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self._process.wait()
        self.connection.close()

    def stop(self) -> None:
        """Kill the process and its children, unless it has ended."""
        if self._process.poll() is None:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)

    def status(self) -> int:
        """Return its exit status, when it has ended."""
        status: int = self._process.wait()
        return status


class ServiceWorker:
    """A connection to the system's artwork service. Its process ends with the connection.

    Raises: MeasureFailedError when the service does not answer.
    """

    def __init__(self, path: Path) -> None:
        self.connection = socket.socket(socket.AF_UNIX)
        try:
            self.connection.settimeout(_CONNECT_LIMIT_S)
            self.connection.connect(str(path))
            self.connection.settimeout(None)
        except OSError as error:
            self.connection.close()
            reason = error.strerror or str(error)
            raise MeasureFailedError("artwork.worker.no_service", reason=reason) from error

    def __enter__(self) -> ServiceWorker:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()

    def stop(self) -> None:
        """Cut the connection."""
        with suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)

    def status(self) -> int:
        """Return 0: the system collects the status."""
        return 0


Worker = OwnWorker | ServiceWorker


def started(workplace: Workplace, module: str, errors: int) -> Worker:
    """Return a worker that waits for its request.

    :param module: what a process of this user runs; the service has its module in its unit.
    :param errors: descriptor for its standard error until it has its request.
    Raises: MeasureFailedError when the service does not answer.
    """
    if workplace.service is None:
        return OwnWorker(module, errors)
    return ServiceWorker(workplace.service)
