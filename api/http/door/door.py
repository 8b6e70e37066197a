"""The door: accepts connections, looks at their first bytes, and gives them a place or none.

1. A new connection waits. It costs a descriptor and no buffer: its bytes stay in the kernel.
2. When its first line is Stop, it gets one of Stop's places, whatever else goes on.
3. When the head of its first request is complete and shows a paired device, it gets one of those
   places. Otherwise it gets a guest's place, if its address has one left.
4. Nobody waits longer than HEAD_S, and when too many wait, the oldest of the address with the most
   is closed.

Connections of the local socket have places too. When the process runs out of descriptors, a spare
one lets the next connection in, and one guest is closed.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress

from api.access.shares import share_of
from api.http.door import bounded_protocol
from api.http.door.bounded_protocol import BoundedProtocol, numbers
from api.http.door.first_bytes import MOST_BYTES, credentials, is_stop_line, is_whole
from api.http.door.places import Kind, PlaceBook
from api.http.door.spare import SpareDescriptors
from controller.texts import text

ACCEPTS_A_PASS = 32
"""Most connections accepted in one pass of the event loop, so that others get their turn."""

SWEEP_S = 0.2
"""Time between two looks at connections that are late, s."""

PAUSE_S = 0.05
"""Pause before the next attempt when the system has no memory for a connection, s."""

BUFFER_BYTES = 65_536
"""Kernel buffer of a connection in each direction. A response that is not read fills it first."""

LOCAL_SHARE = "local socket"

Headers = list[tuple[bytes, bytes]]

_log = logging.getLogger("biteclock")


class Waiting:
    """A connection whose first request has not arrived. The event loop reports new bytes."""

    kind = Kind.WAITING
    is_idle = True

    def __init__(self, door: Door, connection: socket.socket, share: str, until_s: float) -> None:
        self.number = next(numbers)
        self.connection = connection
        self.descriptor = connection.fileno()
        self.share = share
        self.until_s = until_s
        self.seen_bytes = 0
        self._door = door

    def drop(self) -> None:
        """Close the connection at once."""
        self._door.turn_away(self)


class Door:
    """Accepts the connections of all listening sockets. It belongs to the server's event loop.

    :param make: returns the protocol of a connection of a kind and a share.
    :param is_paired: returns whether headers, sent from a host, show a paired device.
    :param full: bytes sent to a guest for whom there is no place.
    """

    def __init__(
        self,
        book: PlaceBook,
        make: Callable[[Kind, str], BoundedProtocol],
        is_paired: Callable[[Headers, str], bool],
        full: bytes,
    ) -> None:
        self._book = book
        self._make = make
        self._is_paired = is_paired
        self._full = full
        self._spare = SpareDescriptors()
        self._listeners: Sequence[socket.socket] = ()
        self._entering: set[asyncio.Task[None]] = set()
        self._sweep_timer: asyncio.TimerHandle | None = None

    def open(self, listeners: Sequence[socket.socket]) -> None:
        """Accept from now on. Call it in the event loop."""
        self._loop = asyncio.get_running_loop()
        self._listeners = tuple(listeners)
        for listener in self._listeners:
            listener.setblocking(False)
            self._listen(listener)
        self._sweep()

    def close(self) -> None:
        """Accept nothing more and close the connections that wait."""
        for listener in self._listeners:
            self._loop.remove_reader(listener)
        self._listeners = ()
        if self._sweep_timer is not None:
            self._sweep_timer.cancel()
        for waiting in self._book.members(Kind.WAITING):
            self._book.leave(waiting)
            waiting.drop()
        self._spare.close()

    # --- a new connection -----------------------------------------------------------------------

    def _listen(self, listener: socket.socket) -> None:
        if listener in self._listeners:
            self._loop.add_reader(listener, self._accept, listener)

    def _accept(self, listener: socket.socket) -> None:
        for _ in range(ACCEPTS_A_PASS):
            try:
                connection, peer = listener.accept()
            except (BlockingIOError, InterruptedError):
                return
            except ConnectionAbortedError:
                continue
            except OSError as error:
                if error.errno in (errno.EMFILE, errno.ENFILE) and self._spare.release():
                    self._make_room()
                    continue
                self._loop.remove_reader(listener)
                self._loop.call_later(PAUSE_S, self._listen, listener)
                return
            connection.setblocking(False)
            if listener.family == socket.AF_UNIX:
                self._enter(connection, Kind.LOCAL, LOCAL_SHARE)
            else:
                self._let_wait(connection, share_of(peer[0]))

    def _make_room(self) -> None:
        """Close one connection, because there is no descriptor left."""
        _log.warning(text("http.door.no_descriptor"))
        self._book.make_room(Kind.WAITING, Kind.GUEST)

    def _let_wait(self, connection: socket.socket, share: str) -> None:
        """Look at once: the bytes of Stop are often there already."""
        until_s = self._loop.time() + bounded_protocol.HEAD_S
        waiting = Waiting(self, connection, share, until_s)
        if not self._look(waiting):
            self._book.enter(waiting)
            self._loop.add_reader(waiting.descriptor, self._look, waiting)

    def _look(self, waiting: Waiting) -> bool:
        """Look at the first bytes, which stay in the kernel, and return whether they were enough.

        Descriptors are given to the event loop as numbers. It forms the text of a socket each time.
        """
        try:
            seen = waiting.connection.recv(MOST_BYTES, socket.MSG_PEEK)
        except (BlockingIOError, InterruptedError):
            return False
        except OSError:
            seen = b""
        if is_stop_line(seen):
            self._pass_on(waiting, Kind.STOP)
        elif is_whole(seen):
            shown = credentials(seen)
            is_paired = bool(shown) and self._is_paired(shown, waiting.share)
            self._pass_on(waiting, Kind.PAIRED if is_paired else Kind.GUEST)
        elif len(seen) <= waiting.seen_bytes:  # readable without more bytes: the other end is gone
            self._book.leave(waiting)
            waiting.drop()
        else:
            waiting.seen_bytes = len(seen)
            self._wake_at(waiting.connection, len(seen) + 1)
            return False
        return True

    def _wake_at(self, connection: socket.socket, size_bytes: int) -> None:
        """Have the event loop woken by so many bytes, not by those that are known already.

        Source: socket(7), SO_RCVLOWAT; epoll follows it for TCP.
        """
        with suppress(OSError):
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, size_bytes)

    def _pass_on(self, waiting: Waiting, kind: Kind) -> None:
        self._book.leave(waiting)
        self._loop.remove_reader(waiting.descriptor)
        if waiting.seen_bytes:
            self._wake_at(waiting.connection, 1)
        self._enter(waiting.connection, kind, waiting.share)

    def turn_away(self, waiting: Waiting) -> None:
        """Close a connection that waits."""
        self._loop.remove_reader(waiting.descriptor)
        waiting.connection.close()

    # --- a place --------------------------------------------------------------------------------

    def _enter(self, connection: socket.socket, kind: Kind, share: str) -> None:
        """Start HTTP on a connection if there is a place for it."""
        if self._book.has_its_share(kind, share):
            self._refuse(connection)
            return
        protocol = self._make(kind, share)
        is_in = self._book.enter(protocol)
        if not is_in and kind is Kind.PAIRED:
            protocol.kind = Kind.GUEST
            is_in = self._book.enter(protocol)
        if not is_in:
            self._refuse(connection)
            return
        if kind is not Kind.LOCAL:
            with suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                for option in (socket.SO_RCVBUF, socket.SO_SNDBUF):
                    connection.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES)
        task = self._loop.create_task(self._connect(connection, protocol))
        self._entering.add(task)
        task.add_done_callback(self._entering.discard)

    async def _connect(self, connection: socket.socket, protocol: BoundedProtocol) -> None:
        try:
            await self._loop.connect_accepted_socket(lambda: protocol, connection)
        except (OSError, ValueError):
            self._book.leave(protocol)
            connection.close()

    def _refuse(self, connection: socket.socket) -> None:
        """Close a connection and say why. Its bytes are read first, or the answer would be lost."""
        with suppress(OSError):
            connection.recv(MOST_BYTES)
            connection.send(self._full)
        connection.close()

    # --- those that are late --------------------------------------------------------------------

    def _sweep(self) -> None:
        now_s = self._loop.time()
        self._spare.refill()
        for member in self._book.members(*Kind):
            if isinstance(member, BoundedProtocol):
                member.drop_if_undrained(now_s)
            elif isinstance(member, Waiting) and now_s >= member.until_s:
                self._book.leave(member)
                member.drop()
        self._sweep_timer = self._loop.call_later(SWEEP_S, self._sweep)
