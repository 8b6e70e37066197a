"""Puts texts of the catalogue on the terminal: help of commands, lines of output, JSON."""

from __future__ import annotations

import json
from typing import Any

import click

from controller.texts import Value, text, text_or_none


def help_of(command: str) -> str:
    """Return the help of a command.

    :param command: the command's table in the catalogue, with ``summary`` and perhaps ``details``.
    """
    summary, details = text(f"{command}.summary"), text_or_none(f"{command}.details")
    return summary if details is None else f"{summary}\n\n{details}"


def say(key: str, /, **values: Value) -> None:
    """Print one line of output."""
    click.echo(text(key, **values).rstrip())


def warn(key: str, /, **values: Value) -> None:
    """Print one line of output in yellow."""
    click.secho(text(key, **values).rstrip(), fg="yellow")


def print_json(values: Any) -> None:
    """Print one JSON object. Raises: ValueError on NaN and infinity, which JSON does not have."""
    click.echo(json.dumps(values, indent=2, allow_nan=False))
