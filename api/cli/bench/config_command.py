"""``biteclock config``: look at a configuration before the daemon does."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from api.cli.location import CONFIG_VARIABLE, INSTALLED_CONFIG, locate
from api.cli.options import NotWell, Refusal, json_option
from api.cli.printing import help_of, print_json, say, warn
from controller.errors import RefusedError
from controller.texts import text

if TYPE_CHECKING:
    from controller.texts import Message


@click.group(help=help_of("command_line.config"))
def config() -> None:
    """Run one of the commands below."""


@config.command(
    help=help_of("command_line.config.check"),
    short_help=text("command_line.config.check.summary"),
)
@click.argument(
    "file",
    required=False,
    envvar=CONFIG_VARIABLE,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)
@json_option
def check(file: Path | None, as_json: bool) -> None:
    """Print what is wrong with a configuration, and what is weaker than it needs to be."""
    checked = locate(file).file
    if checked is None:
        raise Refusal(text("command_line.config.check.no_file", file=INSTALLED_CONFIG))
    problems, weaker = _found_in(checked)
    if as_json:
        print_json(
            {
                "file": str(checked),
                "passed": not problems,
                "problems": [str(it) for it in problems],
                "weaker": [str(it) for it in weaker],
            }
        )
    else:
        _print(checked, problems, weaker)
    raise SystemExit(NotWell.exit_code if problems else 0)


def _found_in(file: Path) -> tuple[Sequence[Message], Sequence[Message]]:
    """Return the problems of a configuration, and its weaker limits."""
    from controller.config.reading import UnusableError, load_settings
    from controller.config.weaker import weaker_limits

    try:
        return (), weaker_limits(load_settings(file))
    except UnusableError as error:
        return error.problems, ()
    except RefusedError as error:
        return (error.message,), ()


def _print(file: Path, problems: Sequence[Message], weaker: Sequence[Message]) -> None:
    if problems:
        say("command_line.config.check.failed", file=file)
        for problem in problems:
            say("command_line.config.check.problem", problem=problem)
        return
    say("command_line.config.check.passed", file=file)
    for limit in weaker:
        warn("command_line.config.check.weaker", limit=limit)
