"""The messenger's end of its socket: who sent a datagram, and what it holds."""

from __future__ import annotations

import grp
import json
import os
import pwd
import socket
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from controller.notices.notice import MAX_BYTES, Notice

GROUP: Final = "biteclock"
"""Who may send: the daemon's user and the people who may use its local socket."""

FIRST_PASSED: Final = 3
"""First descriptor that the service manager passes. Source: sd_listen_fds(3)."""

_CREDENTIALS = struct.Struct("3i")
"""pid, uid, gid of the sender. Source: unix(7), SCM_CREDENTIALS."""


@dataclass(frozen=True, slots=True)
class Letter:
    """A datagram.

    :param sender: address to answer to, or None.
    :param is_known: whether the kernel says that a trusted user sent it.
    :param is_whole: whether it was no longer than a datagram may be.
    """

    data: bytes
    sender: str | bytes | None
    is_known: bool
    is_whole: bool

    @property
    def notice(self) -> Notice | None:
        """The notice in it, or None."""
        return Notice.from_datagram(self.data) if self.is_whole else None

    @property
    def question(self) -> str | None:
        """The question in it, or None."""
        try:
            asked: Any = json.loads(self.data)
        except (ValueError, RecursionError):
            return None
        if not isinstance(asked, dict) or asked.get("version") != 1:
            return None
        what = asked.get("ask")
        return what if isinstance(what, str) else None


def open_socket(path: Path) -> socket.socket:
    """Return the socket that the service manager passes, else one at ``path``, mode 0660."""
    if os.environ.get("LISTEN_PID") == str(os.getpid()) and os.environ.get("LISTEN_FDS") == "1":
        passed = socket.socket(fileno=FIRST_PASSED)
        passed.set_inheritable(False)
        return _ready(passed)
    opened = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
    path.unlink(missing_ok=True)
    before = os.umask(0o117)
    try:
        opened.bind(str(path))
    finally:
        os.umask(before)
    return _ready(opened)


def _ready(opened: socket.socket) -> socket.socket:
    opened.setblocking(False)
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
    return opened


def receive(opened: socket.socket) -> Letter | None:
    """Return the next datagram, or None when none waits."""
    try:
        data, ancillary, flags, sender = opened.recvmsg(
            MAX_BYTES, socket.CMSG_SPACE(_CREDENTIALS.size)
        )
    except BlockingIOError:
        return None
    return Letter(data, sender or None, _is_known(ancillary), not flags & socket.MSG_TRUNC)


def answer(opened: socket.socket, sender: str | bytes | None, data: bytes) -> None:
    """Answer without waiting. Whoever no longer listens gets nothing."""
    if sender is None:
        return
    try:
        opened.sendto(data, sender)
    except OSError:
        return


def _is_known(ancillary: list[tuple[int, int, bytes]]) -> bool:
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == socket.SCM_CREDENTIALS:
            _, uid, gid = _CREDENTIALS.unpack(data[: _CREDENTIALS.size])
            return is_trusted(uid, gid)
    return False


def is_trusted(uid: int, gid: int) -> bool:
    """Return whether a user may send: root, the messenger's own user, and the group."""
    if uid in (0, os.getuid()):
        return True
    try:
        trusted = grp.getgrnam(GROUP).gr_gid
        user = pwd.getpwuid(uid)
    except KeyError:
        return False
    return trusted in (gid, *os.getgrouplist(user.pw_name, user.pw_gid))
