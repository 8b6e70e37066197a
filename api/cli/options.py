"""Options that several commands share, and errors turned into refusals on the terminal."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from api.cli.location import (
    CONFIG_VARIABLE,
    INSTALLED_CONFIG,
    INSTALLED_STATE,
    STATE_VARIABLE,
    Place,
    locate,
    state_directory,
)
from controller.errors import BiteclockError
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings

Function = TypeVar("Function", bound=Callable[..., Any])

_PLACE = "biteclock.place"
"""Where click keeps the configuration of a command while it reads the other options."""


class Refusal(click.ClickException):
    """Bad usage or refused input: exit status 2, like click's own."""

    exit_code = 2


class NotWell(click.ClickException):
    """Something is not as it should be: exit status 1."""

    exit_code = 1


def refusing(function: Function) -> Function:
    """Turn the project's errors into one line on the terminal and exit status 2."""

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return function(*args, **kwargs)
        except BiteclockError as error:
            raise Refusal(str(error)) from error

    return wrapped  # type: ignore[return-value]


def place_of(context: click.Context) -> Place:
    """Return the configuration that ``config_option`` found for a command."""
    place: Place = context.meta[_PLACE]
    return place


def refuse_to_guess(context: click.Context, key: str) -> None:
    """Refuse when there is no configuration, so that a pin or a port would be a guess.

    :param key: what would be a guess, and how to give it. Raises: Refusal.
    """
    if place_of(context).file is None:
        raise Refusal(text(key, file=INSTALLED_CONFIG))


def _place(context: click.Context, path: Path | None) -> Place:
    place: Place = context.meta.setdefault(_PLACE, locate(path))
    return place


@refusing
def _settings(
    context: click.Context, _parameter: click.Parameter, path: Path | None
) -> Settings | None:
    """Return the settings of this machine. Imported late: help does not need them."""
    if context.resilient_parsing:
        return None  # the shell completes a word
    return _place(context, path).settings()


@refusing
def _rehearsal_settings(
    context: click.Context, _parameter: click.Parameter, path: Path | None
) -> Settings | None:
    return None if context.resilient_parsing else _place(context, path).for_rehearsal()


def config_option(function: Function) -> Function:
    """Add ``--config FILE``, given to the command as ``settings``."""
    return _config_option("settings", _settings)(function)


def rehearsal_config_option(function: Function) -> Function:
    """Add ``--config FILE``, given as the ``settings`` of a rehearsal."""
    return _config_option("settings", _rehearsal_settings)(function)


def lazy_config_option(function: Function) -> Function:
    """Add ``--config FILE``, given as ``place``, for a command that must work without one."""
    return _config_option("place", lambda context, _parameter, path: _place(context, path))(
        function
    )


def _config_option(name: str, callback: Callable[..., Any]) -> Callable[[Function], Function]:
    return click.option(
        "--config",
        name,
        type=click.Path(dir_okay=False, path_type=Path),
        envvar=CONFIG_VARIABLE,
        is_eager=True,  # before the state directory, which depends on it
        callback=callback,
        help=text("command_line.common.config", variable=CONFIG_VARIABLE, file=INSTALLED_CONFIG),
    )


def _state_directory(
    context: click.Context, _parameter: click.Parameter, path: Path | None
) -> Path | None:
    if context.resilient_parsing:
        return None
    return state_directory(path, _place(context, None))


json_option = click.option("--json", "as_json", is_flag=True, help=text("command_line.common.json"))

state_directory_option = click.option(
    "--state-directory",
    type=click.Path(file_okay=False, path_type=Path),
    envvar=STATE_VARIABLE,
    callback=_state_directory,
    help=text(
        "command_line.common.state_directory", variable=STATE_VARIABLE, directory=INSTALLED_STATE
    ),
)


def with_options(function: Function, options: tuple[Any, ...]) -> Function:
    """Add options to a command; its help lists them in this order."""
    command: Any = function
    for option in reversed(options):
        command = option(command)
    return command  # type: ignore[no-any-return]
