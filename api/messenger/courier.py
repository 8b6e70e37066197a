"""Starts a process for each delivery, and ends it when it takes too long."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any, Protocol

from pydantic import ValidationError

from api.messenger.ending import Ending
from api.messenger.outcome import Outcome
from api.messenger.settings import Service
from controller.notices.notice import NoticeKind

PROGRAM = (sys.executable, "-I", "-m", "api.messenger.one_delivery")

ANSWER_BYTES = 4096

TYPES = {
    NoticeKind.TRIPPED: "failure",
    NoticeKind.INTERRUPTED: "failure",
    NoticeKind.PAUSED: "warning",
    NoticeKind.BATH_HOT: "warning",
    NoticeKind.FINISHED: "success",
}
"""Apprise's type of a notice; ``info`` for the others."""


class Delivery(Protocol):
    """A delivery under way."""

    def fileno(self) -> int:
        """Return what becomes readable when something happened."""

    def outcome(self) -> Outcome | None:
        """Return how it ended, or None while it is under way. Call it when it is readable."""

    def give_up(self) -> None:
        """End it."""


class Courier(Protocol):
    """Starts deliveries."""

    def start(self, service: Service, kind: NoticeKind, title: str, body: str) -> Delivery:
        """Start to send. Never raises and never waits."""


class ProcessDelivery:
    """A delivery in a process of its own.

    :param program: what to run.
    """

    def __init__(self, order: dict[str, Any], program: tuple[str, ...]) -> None:
        self._answer = b""
        self._child = subprocess.Popen(  # noqa: S603 our own module, no shell
            program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        assert self._child.stdin is not None  # noqa: S101
        assert self._child.stdout is not None  # noqa: S101
        self._out = self._child.stdout
        try:
            # Far less than a pipe holds, so that this never waits.
            self._child.stdin.write(json.dumps(order).encode())
            self._child.stdin.close()
        except OSError:
            pass  # it has already ended, which its output shows

    def fileno(self) -> int:
        """Return the pipe of its answer."""
        return self._out.fileno()

    def outcome(self) -> Outcome | None:
        """Return how it ended, once its answer is whole."""
        part = os.read(self._out.fileno(), ANSWER_BYTES)
        self._answer += part
        if part and len(self._answer) <= ANSWER_BYTES:
            return None
        self.give_up()
        try:
            return Outcome.model_validate_json(self._answer)
        except ValidationError:
            return Outcome(ending=Ending.FAILED)

    def give_up(self) -> None:
        """Kill it and take it away."""
        self._child.kill()
        self._out.close()
        self._child.wait()


class NoDelivery:
    """A delivery that could not be started. Its outcome is there at once."""

    def __init__(self) -> None:
        self._read, write = os.pipe2(os.O_CLOEXEC)
        os.close(write)

    def fileno(self) -> int:
        """Return a pipe at its end."""
        return self._read

    def outcome(self) -> Outcome:
        """Return that it failed."""
        self.give_up()
        return Outcome(ending=Ending.FAILED)

    def give_up(self) -> None:
        """Close the pipe."""
        os.close(self._read)


class ProcessCourier:
    """Starts a process for each delivery.

    :param program: what to run; the module beside this one when left out.
    """

    def __init__(self, program: tuple[str, ...] = PROGRAM) -> None:
        self._program = program

    def start(self, service: Service, kind: NoticeKind, title: str, body: str) -> Delivery:
        """Start to send."""
        order = {
            "url": service.url,
            "title": title,
            "body": body,
            "notify_type": TYPES.get(kind, "info"),
        }
        try:
            return ProcessDelivery(order, self._program)
        except OSError:
            return NoDelivery()
