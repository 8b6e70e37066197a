"""A connection to the daemon's local socket."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from controller.errors import BiteclockError


class NotAllowedError(BiteclockError, PermissionError):
    """The user may not use the local socket."""


def connected(path: Path, timeout_s: float | None) -> socket.socket:
    """Return a connection to a local socket, whose path may be longer than a socket's address.

    Raises: OSError, NotAllowedError.
    """
    directory = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        connection.settimeout(timeout_s)
        connection.connect(f"/proc/self/fd/{directory}/{path.name}")
    except PermissionError:
        connection.close()
        raise NotAllowedError("command_line.local.not_allowed", file=path) from None
    except BaseException:
        connection.close()
        raise
    finally:
        os.close(directory)
    return connection
