"""The local socket: page and API for the commands on the Pi, guarded by the file's permissions.

Whoever can connect to it may do everything that a paired device may. No browser can.
"""

from __future__ import annotations

import fcntl
import grp
import logging
import os
import secrets
import socket
import stat
from collections.abc import Mapping
from contextlib import ExitStack, suppress
from pathlib import Path

from api.access.listening import BACKLOG
from controller.errors import RefusedError
from controller.texts import text

NAME = "control.sock"
GROUP = "biteclock"
"""Group whose members may connect. systemd/install.sh puts the Pi's user into it."""

MODE = 0o660
OWNER_MODE = 0o600
RUNTIME_DIRECTORY = Path("/run/biteclock")
"""Runtime directory of the installed service (``RuntimeDirectory=`` in its unit)."""


_log = logging.getLogger("biteclock")


def socket_directory(
    state_directory: Path, environment: Mapping[str, str], *, is_bench: bool
) -> Path:
    """Return the directory of the socket.

    :param environment: of the process; the service manager sets RUNTIME_DIRECTORY.
    :param is_bench: a rehearsal keeps its socket beside its records, never beside the bench's.
    """
    given = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0] if is_bench else ""
    return Path(given) if given else state_directory


def local_socket(directory: Path) -> LocalSocket | None:
    """Return the socket in a directory, or None with a warning where none can be made.

    Raises: RefusedError where another daemon has it, or where something else is in the way.
    """
    try:
        return LocalSocket(directory)
    except OSError as error:
        reason = error.strerror or str(error)
        _log.warning(
            text("http.local_socket.not_made", file=directory / NAME, system_message=reason)
        )
        return None


class LocalSocket:
    """The listening socket in a directory, its own until ``close``.

    A socket that an earlier daemon left is replaced. Nothing else ever is: no file, no directory,
    no symbolic link, no socket of another user or of a living program.

    :param directory: must exist. Its path may be longer than the 107 bytes of a socket's address.

    Raises: RefusedError, OSError.
    """

    def __init__(self, directory: Path) -> None:
        self.path = directory / NAME
        with ExitStack() as held:
            self._directory = os.open(directory, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
            held.callback(os.close, self._directory)
            held.callback(os.close, self._claimed())
            self._refuse_what_is_not_ours()
            self.listener = held.enter_context(self._listening())
            self._identity = self._found()
            self._held = held.pop_all()

    def close(self) -> None:
        """Stop listening and remove the socket, if it is still this one."""
        if self._identity is not None and self._found() == self._identity:
            with suppress(OSError):
                os.unlink(NAME, dir_fd=self._directory)
        self._held.close()

    def _claimed(self) -> int:
        """Return the descriptor of a lock, which the kernel frees when the process ends."""
        claim = os.open(
            f"{NAME}-lock",
            os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW,
            0o600,
            dir_fd=self._directory,
        )
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(claim)
            raise RefusedError("http.local_socket.in_use", file=self.path) from None
        return claim

    def _listening(self) -> socket.socket:
        """Return the socket, with its permissions before its name and its name before a caller."""
        new = f".{NAME}-{secrets.token_hex(4)}"
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listener.bind(self._address(new))
            try:
                os.chmod(new, MODE, dir_fd=self._directory)
                self._give_to_group(new)
                listener.listen(BACKLOG)
                os.rename(new, NAME, src_dir_fd=self._directory, dst_dir_fd=self._directory)
            except BaseException:
                os.unlink(new, dir_fd=self._directory)
                raise
        except BaseException:
            listener.close()
            raise
        return listener

    def _give_to_group(self, new: str) -> None:
        """Give the socket to the group, or to nobody else where that is impossible."""
        try:
            wanted = grp.getgrnam(GROUP).gr_gid
            if os.stat(new, dir_fd=self._directory).st_gid != wanted:  # the unit allows no chown
                os.chown(new, -1, wanted, dir_fd=self._directory)
        except (KeyError, OSError):  # no such group, or this user is not a member
            os.chmod(new, OWNER_MODE, dir_fd=self._directory)

    def _refuse_what_is_not_ours(self) -> None:
        try:
            found = os.stat(NAME, dir_fd=self._directory, follow_symlinks=False)
        except FileNotFoundError:
            return
        if not stat.S_ISSOCK(found.st_mode) or found.st_uid != os.geteuid():
            raise RefusedError("http.local_socket.not_ours", file=self.path)
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
            probe.setblocking(False)
            if probe.connect_ex(self._address(NAME)) == 0:
                raise RefusedError("http.local_socket.in_use", file=self.path)

    def _found(self) -> tuple[int, int] | None:
        """Return device and inode of what has the name, or None."""
        try:
            found = os.stat(NAME, dir_fd=self._directory, follow_symlinks=False)
        except FileNotFoundError:
            return None
        return found.st_dev, found.st_ino

    def _address(self, name: str) -> str:
        """Return a short address of a name in the directory. Source: proc(5), /proc/self/fd."""
        return f"/proc/self/fd/{self._directory}/{name}"
