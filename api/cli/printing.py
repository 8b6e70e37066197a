"""Puts texts of the catalogue on the terminal: help of commands, lines of output, JSON."""

from __future__ import annotations

import json
import os
import sys
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


def say_if_heard(key: str, /, **values: Value) -> None:
    """Print one line of output, or nothing when nobody reads it: the terminal is gone, say."""
    try:
        say(key, **values)
    except OSError:
        # What is left in the buffer would fail again when the process ends.
        nowhere = os.open(os.devnull, os.O_WRONLY | os.O_CLOEXEC)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def warn(key: str, /, **values: Value) -> None:
    """Print one line of output in yellow."""
    click.secho(text(key, **values).rstrip(), fg="yellow")


def print_json(values: Any) -> None:
    """Print one JSON object. Raises: ValueError on NaN and infinity, which JSON does not have."""
    click.echo(json.dumps(values, indent=2, allow_nan=False))
