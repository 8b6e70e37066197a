"""Finds the local socket of the daemon on this machine, and the client that uses it."""

from __future__ import annotations

import functools
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from api.cli.local_connection import NotAllowedError
from api.cli.location import STATE_VARIABLE
from api.cli.options import NotWell, Refusal
from controller.errors import BiteclockError, RefusedError
from controller.texts import text

if TYPE_CHECKING:
    from api.cli.client import ApiClient
    from controller.config import Settings

Function = TypeVar("Function", bound=Callable[..., Any])

NAME = "control.sock"
RUNTIME_DIRECTORY = Path("/run/biteclock")
"""Where the installed service has its socket."""


class NoSocketError(BiteclockError, FileNotFoundError):
    """There is no local socket, so no daemon runs, or it runs elsewhere."""


def asking(function: Function) -> Function:
    """Turn errors into one line: exit status 2 for bad usage, 1 where the daemon cannot be asked.

    A refusal by the daemon is bad usage.
    """

    @functools.wraps(function)
    def wrapped(*arguments: Any, **options: Any) -> Any:
        from api.cli.client import ApiRefusedError

        try:
            return function(*arguments, **options)
        except (RefusedError, ApiRefusedError) as error:
            raise Refusal(str(error)) from error
        except BiteclockError as error:
            raise NotWell(str(error)) from error

    return wrapped  # type: ignore[return-value]


daemon_option = click.option(
    "--state-directory",
    type=click.Path(file_okay=False, path_type=Path),
    help=text("command_line.common.daemon_state_directory"),
)
"""Adds ``--state-directory DIR`` for a daemon that was started there by hand."""


def local_socket(state_directory: Path | None) -> Path | None:
    """Return the path of the daemon's local socket, or None when there is none.

    :param state_directory: of a daemon that was started by hand, or None for the installed one,
        then for one that was started in the working directory.

    Raises: NotAllowedError.
    """
    given = os.environ.get(STATE_VARIABLE)
    if state_directory is not None:
        candidates = [state_directory]
    else:
        candidates = [*([Path(given)] if given else []), RUNTIME_DIRECTORY]
    for directory in candidates:
        if _found(directory / NAME) is not None:
            return directory / NAME
    here = Path(NAME)
    found = _found(here) if state_directory is None else None
    # Somebody else may have left it in a directory that all may write to.
    return here if found is not None and found.st_uid in (os.geteuid(), 0) else None


def local_client(state_directory: Path | None) -> ApiClient:
    """Return the client of the daemon on this machine, which may do everything.

    Raises: NotAllowedError, NoSocketError.
    """
    from api.cli.client import ApiClient

    path = local_socket(state_directory)
    if path is None:
        raise NoSocketError("command_line.local.no_socket")
    return ApiClient.through(path)


def bench_client(settings: Settings | None, port: int | None, timeout_s: float) -> ApiClient:
    """Return a client that may at least look and stop.

    It uses the local socket where this user may, unless a port or a configuration is given, which
    may be those of another daemon.
    """
    from api.cli.client import ApiClient

    path = open_socket() if port is None else None
    if path is not None:
        return ApiClient.through(path, timeout_s)
    if port is None:
        if settings is None:
            raise ValueError("neither settings nor port")
        port = settings.server.port
    return ApiClient(f"http://127.0.0.1:{port}", timeout_s=timeout_s)


def open_socket() -> Path | None:
    """Return the local socket that this user may use, or None.

    None also where a configuration is given: it may be that of another daemon.
    """
    if is_given("settings") or is_given("place"):
        return None
    try:
        return local_socket(None)
    except NotAllowedError:
        return None


def is_given(parameter: str) -> bool:
    """Return whether an option of the present command is on the command line or in a variable."""
    context = click.get_current_context(silent=True)
    return context is not None and context.get_parameter_source(parameter) in (
        ParameterSource.COMMANDLINE,
        ParameterSource.ENVIRONMENT,
    )


def _found(path: Path) -> os.stat_result | None:
    """Return the status of a socket, or None when there is none. Raises: NotAllowedError."""
    try:
        found = path.stat()
    except PermissionError:
        raise NotAllowedError("command_line.local.not_allowed", file=path) from None
    except OSError:
        return None
    if not stat.S_ISSOCK(found.st_mode):
        return None
    if not os.access(path, os.W_OK):
        raise NotAllowedError("command_line.local.not_allowed", file=path)
    return found
