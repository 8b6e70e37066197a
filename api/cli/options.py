"""Options that several commands share, and errors turned into refusals on the terminal."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from controller.errors import BiteclockError
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings

Function = TypeVar("Function", bound=Callable[..., Any])


class Refusal(click.ClickException):
    """Bad usage or refused input: exit status 2, like click's own."""

    exit_code = 2


def refusing(function: Function) -> Function:
    """Turn the project's errors into one line on the terminal and exit status 2."""

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return function(*args, **kwargs)
        except BiteclockError as error:
            raise Refusal(str(error)) from error

    return wrapped  # type: ignore[return-value]


@refusing
def _settings(_ctx: click.Context, _parameter: click.Parameter, path: Path | None) -> Settings:
    """Return the settings in a file, or the defaults. Imported late: help does not need them."""
    from controller.config import Settings, load_settings

    return Settings() if path is None else load_settings(path)


def config_option(function: Function) -> Function:
    """Add ``--config FILE``, given to the command as ``settings``."""
    option = click.option(
        "--config",
        "settings",
        type=click.Path(dir_okay=False, path_type=Path),
        callback=_settings,
        help=text("command_line.common.config"),
    )
    return option(function)


json_option = click.option("--json", "as_json", is_flag=True, help=text("command_line.common.json"))

state_directory_option = click.option(
    "--state-directory",
    type=click.Path(file_okay=False, path_type=Path),
    default=".",
    show_default=True,
    help=text("command_line.common.state_directory"),
)


def with_options(function: Function, options: tuple[Any, ...]) -> Function:
    """Add options to a command; its help lists them in this order."""
    command: Any = function
    for option in reversed(options):
        command = option(command)
    return command  # type: ignore[no-any-return]
