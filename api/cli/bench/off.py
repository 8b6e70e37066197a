"""``biteclock off``: ask for off first, then verify that the rig is off.

The command asks the daemon for off. If none answers, it drives the output low here. All checks come
later, and only off that was seen gives exit status 0.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.bench.listener import is_ours
from api.cli.bench.local import open_socket
from api.cli.check import daemon_client, port_option
from api.cli.client import ApiClient
from api.cli.location import INSTALLED_CONFIG
from api.cli.options import NotWell, Refusal, lazy_config_option
from api.cli.printing import help_of, say
from controller.errors import BiteclockError
from controller.texts import Message, text

if TYPE_CHECKING:
    from api.cli.location import Place
    from controller.config import Settings

ASK_S = 4.0
"""Longest wait for the daemon to answer, s. It answers Stop 0.15 s after it has obeyed."""

DRIVE_S = 10.0
"""Longest wait for the output to be driven low, s."""


@click.command(help=help_of("command_line.off"))
@lazy_config_option
@port_option
@click.option("--pin", "pins", multiple=True, metavar="GPIOxx", help=text("command_line.off.pin"))
def off(place: Place, port: int | None, pins: tuple[str, ...]) -> None:
    """Ask for off, then look."""
    settings, refusal = _settings(place)
    if pins:
        _drive_low(pins, settings)
        return
    if settings is None and port is None and open_socket() is None:
        raise Refusal(text("command_line.off.no_place", why=refusal))
    client = daemon_client(settings, port, timeout_s=ASK_S)
    answer = _ask(client)
    asked_port = settings.server.port if port is None and settings is not None else port
    is_known = answer is None or client.is_local or _is_of_daemon(asked_port)
    if answer is not None and is_known and _is_meant(client, port):
        _look_through_daemon(client, answer)
        return
    if settings is None:
        no_daemon, no_pin = "command_line.off.no_daemon", "command_line.off.no_pin"
        raise _not_seen(Message(no_daemon if is_known else no_pin))
    click.echo(text("command_line.off.drive_low", relay_pin=settings.rig.relay_pin), err=True)
    _drive_low((settings.rig.relay_pin,), settings)


def _settings(place: Place) -> tuple[Settings | None, str]:
    """Return the settings, or None and why there are none."""
    if place.file is None:
        return None, text("command_line.off.nothing_installed", file=INSTALLED_CONFIG)
    try:
        return place.settings(), ""
    except BiteclockError as error:
        return _wiring(place.file, str(error)), str(error)


def _wiring(file: Path, refusal: str) -> Settings | None:
    """Return what a faulty configuration says of pin and port, or None when that is faulty, too."""
    from controller.config.reading import load_wiring

    try:
        wiring = load_wiring(file)
    except BiteclockError:
        return None
    click.echo(refusal, err=True)
    return wiring


def _ask(client: ApiClient) -> Mapping[str, Any] | None:
    """Ask for off; return what the daemon answered, or None when none did."""
    try:
        answer = client.post("/api/stop")
    except BiteclockError as error:
        click.echo(str(error), err=True)
        return None
    return answer if isinstance(answer, dict) and "relay_on" in answer else None


def _is_of_daemon(port: int | None) -> bool:
    """Return whether the answer came from the daemon, and not from another user's program.

    A port is free to all while no daemon listens. The local socket is not: its file says who made
    it.
    """
    if port is not None and is_ours(port):
        return True
    click.echo(text("command_line.off.somebody_else", port=str(port)), err=True)
    return False


def _is_meant(client: ApiClient, port: int | None) -> bool:
    """Return whether the daemon switches the bench, and not the model of one.

    A rehearsal is meant only where a port was given.
    """
    if port is not None:
        return True
    try:
        status = client.get("/api/status")
    except BiteclockError:
        return True  # its answer has said what it knows
    if status.get("rig") != "rehearsal":
        return True
    click.echo(text("command_line.off.rehearsal"), err=True)
    return False


def _look_through_daemon(client: ApiClient, answer: Mapping[str, Any]) -> None:
    """Look at the samples that the daemon takes after off. Raises: NotWell."""
    from api.cli.bench.off_sight import watch_until_off

    if answer["relay_on"] is None:  # nobody could read it
        raise NotWell(answer["message"])
    if answer["relay_on"]:
        raise _not_seen(Message("command_line.off.still_on"))
    problem = watch_until_off(lambda: client.get("/api/status"), answer.get("off_at_s"))
    if problem is not None:
        raise _not_seen(problem)
    say("command_line.off.seen", message=answer["message"])


def _drive_low(pins: tuple[str, ...], settings: Settings | None) -> None:
    """Drive the pins low, then look at lines and current. Raises: Refusal, NotWell."""
    arguments = [part for pin in pins for part in ("--pin", pin)]
    command = [sys.executable, "-m", "hardware.force_off", *arguments]
    try:
        done = subprocess.run(  # noqa: S603 our own module, no shell
            command, capture_output=True, text=True, timeout=DRIVE_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise _not_seen(Message("command_line.off.not_driven", {"error": str(error)})) from error
    if done.returncode == Refusal.exit_code:
        raise Refusal(done.stderr.strip())
    if done.returncode != 0:
        raise NotWell(done.stderr.replace("biteclock-force-off: ", "").strip())
    _look_directly(pins, settings)


def _look_directly(pins: tuple[str, ...], settings: Settings | None) -> None:
    from api.main import look_whether_off

    has_sensor = settings is not None and settings.rig.relay_pin in pins
    look = look_whether_off(pins, settings if has_sensor else None)
    if look.problem is not None:
        raise _not_seen(look.problem)
    names = ", ".join(pins)
    if look.not_asked is not None:
        say("command_line.off.low_alone", pins=names, why=look.not_asked)
    elif has_sensor:
        say("command_line.off.low_and_currentless", pins=names)
    else:
        say("command_line.off.low", pins=names)


def _not_seen(problem: Message) -> NotWell:
    return NotWell(text("command_line.off.not_seen", problem=problem))
