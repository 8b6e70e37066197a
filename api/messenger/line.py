"""The daemon's and the command line's end of the messenger's socket."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from api.messenger.outcome import Report
from controller.texts import text

ANSWER_S: Final = 2.0
"""Longest wait for the state, s."""

TEST_S: Final = 40.0
"""Longest wait for a test, s: two rounds of deliveries of at most 15 s, and starting up."""

REPORT_BYTES: Final = 8192


class MessageLine:
    """Sends to the messenger, one datagram at a time.

    :param path: its socket.
    """

    def __init__(self, path: Path) -> None:
        self._path = str(path)

    def send(self, datagram: bytes) -> None:
        """Send without waiting. Lost when nobody listens or the socket is full. Never raises."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                sender.sendto(datagram, self._path)
        except (OSError, ValueError):
            return

    def state(self) -> Report:
        """Return the state of the messenger. Never raises."""
        return self._ask("state", ANSWER_S)

    def test(self) -> Report:
        """Send a test message through each service and return how that went. Never raises."""
        return self._ask("test", TEST_S)

    def _ask(self, what: str, patience_s: float) -> Report:
        question = json.dumps({"version": 1, "ask": what}).encode()
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as asker:
                asker.settimeout(patience_s)
                # An address of the kernel's choice. Connected, so that nobody else can answer.
                asker.bind("")
                asker.connect(self._path)
                asker.send(question)
                return Report.model_validate_json(asker.recv(REPORT_BYTES))
        except TimeoutError:
            return _silent("message.line.no_answer")
        except PermissionError:
            return _silent("message.line.not_allowed")
        except ValidationError:
            return _silent("message.line.no_report")
        except (OSError, ValueError):
            return Report(is_set_up=False)


def _silent(key: str) -> Report:
    return Report(is_set_up=False, problem=text(key))
