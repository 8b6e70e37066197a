"""``biteclock-messages``: takes what happens at the rig from a socket and sends it to people.

A composition root of its own: it takes the clock from ``hardware`` and nothing else.
"""

from __future__ import annotations

import logging
import math
import selectors
import socket
import sys
from functools import partial
from pathlib import Path

import click

from api.messenger.courier import ProcessCourier
from api.messenger.outcome import Report
from api.messenger.post_room import PostRoom
from api.messenger.settings import DEFAULT_PATH
from api.messenger.socket_of_events import Letter, answer, open_socket, receive
from controller.config.services import DEFAULT_EVENTS_SOCKET
from controller.ports import Clock
from controller.texts import CATALOGUE, text
from hardware.clock import SystemClock

_log = logging.getLogger("biteclock.messages")

MOST_AT_ONCE = 64
"""Datagrams taken before deliveries get their turn again."""


class Messenger:
    """The socket and the post room together."""

    def __init__(self, opened: socket.socket, room: PostRoom, clock: Clock) -> None:
        self._socket = opened
        self._room = room
        self._clock = clock

    def turn(self) -> None:
        """Wait for something to do, and do it."""
        self._room.work()
        with selectors.DefaultSelector() as selector:
            selector.register(self._socket, selectors.EVENT_READ)
            flights = {flight.delivery.fileno(): flight for flight in self._room.flights}
            for descriptor in flights:
                selector.register(descriptor, selectors.EVENT_READ)
            wait_s = self._room.next_due_s() - self._clock.monotonic_s()
            ready = selector.select(None if math.isinf(wait_s) and wait_s > 0 else max(0.0, wait_s))
            for key, _ in ready:
                if key.fd in flights:
                    self._room.heard(flights[key.fd])
        for _ in range(MOST_AT_ONCE):
            letter = receive(self._socket)
            if letter is None:
                return
            self.take(letter)

    def take(self, letter: Letter) -> None:
        """Take a datagram. One that nobody may send, or that says nothing, is named and dropped."""
        if not letter.is_known:
            _log.warning(text("message.log.stranger"))
            return
        notice = letter.notice
        if notice is not None:
            self._room.take(notice)
            return
        reply = partial(self._reply, letter)
        match letter.question:
            case "state":
                reply(self._room.report())
            case "test":
                self._room.test(reply)
            case _:
                _log.warning(text("message.log.nonsense", count=len(letter.data)))

    def _reply(self, letter: Letter, report: Report) -> None:
        answer(self._socket, letter.sender, report.model_dump_json().encode())


@click.command(help=text("message.program.help"))
@click.option(
    "--config",
    "path",
    type=click.Path(path_type=Path),
    default=DEFAULT_PATH,
    show_default=True,
    help=text("message.program.config"),
)
@click.option(
    "--socket",
    "socket_path",
    type=click.Path(path_type=Path),
    default=DEFAULT_EVENTS_SOCKET,
    show_default=True,
    help=text("message.program.socket"),
)
def main(path: Path, socket_path: Path) -> None:
    """Run until a signal ends it."""
    logging.basicConfig(stream=sys.stdout, level=logging.INFO, format="%(message)s")
    CATALOGUE.load()
    clock = SystemClock()
    opened = open_socket(socket_path)
    room = PostRoom(path, ProcessCourier(), clock, _log.info)
    _log.info(room.report().message)
    messenger = Messenger(opened, room, clock)
    while True:
        messenger.turn()


if __name__ == "__main__":
    main()
