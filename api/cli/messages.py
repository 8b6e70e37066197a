"""``biteclock messages``: the state of the messenger, and a test message."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from api.cli.options import config_option, json_option, refusing
from api.cli.printing import help_of, print_json, say

if TYPE_CHECKING:
    from api.messenger.line import MessageLine
    from api.messenger.outcome import Report
    from controller.config import Settings


@click.group(help=help_of("command_line.messages"))
def messages() -> None:
    """Ask the messenger."""


@messages.command(help=help_of("command_line.messages.status"))
@config_option
@json_option
@refusing
def status(settings: Settings, as_json: bool) -> None:
    """Print how the newest message went."""
    _show(_line(settings).state(), as_json)


@messages.command(help=help_of("command_line.messages.test"))
@config_option
@json_option
@refusing
def test(settings: Settings, as_json: bool) -> None:
    """Send a test message and print how it went."""
    _show(_line(settings).test(), as_json)


def _line(settings: Settings) -> MessageLine:
    from api.messenger.line import MessageLine

    return MessageLine(settings.messages.socket)


def _show(report: Report, as_json: bool) -> None:
    if as_json:
        print_json({**report.model_dump(mode="json"), "is_well": report.is_well})
    else:
        say("command_line.common.message", message=report.message)
        for service in report.services:
            say("command_line.messages.service", line=service.line)
    raise SystemExit(0 if report.is_well else 1)
