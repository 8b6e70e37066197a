"""``biteclock serve``: the daemon."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from api.cli.daemon_log import daemon_log
from api.cli.fault_option import fault_option
from api.cli.options import config_option, refusing, state_directory_option
from api.cli.printing import help_of, say
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings


@contextmanager
def loading() -> Iterator[None]:
    """Disable garbage collection during imports, which make many objects and little garbage.

    What was loaded is then exempt from collection, so that no collection during a run visits it.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


@click.command(help=help_of("command_line.serve"))
@config_option
@click.option(
    "--rig",
    type=click.Choice(["bench", "rehearsal"]),
    default="bench",
    show_default=True,
    help=text("command_line.serve.rig"),
)
@click.option(
    "--speed",
    type=float,
    default=1.0,
    show_default=True,
    help=text("command_line.serve.speed"),
)
@click.option("--port", type=click.IntRange(0, 65535), help=text("command_line.serve.port"))
@state_directory_option
@click.option(
    "--seed", type=int, default=1, show_default=True, help=text("command_line.serve.seed")
)
@fault_option("command_line.serve.fault")
@refusing
def serve(
    settings: Settings,
    rig: str,
    speed: float,
    port: int | None,
    state_directory: Path,
    seed: int,
    faults: tuple[str, ...],
) -> None:
    """Run the daemon until a signal ends it."""
    with daemon_log():
        _serve(settings, rig, speed, port, state_directory, seed, faults)


def _serve(
    settings: Settings,
    rig: str,
    speed: float,
    port: int | None,
    state_directory: Path,
    seed: int,
    faults: tuple[str, ...],
) -> None:
    with loading():
        from api.main import Daemon, Rehearsal, parse_faults

        rehearsal = None
        if rig == "rehearsal":
            rehearsal = Rehearsal(seed=seed, speed=speed, faults=parse_faults(faults))
        state_directory.mkdir(parents=True, exist_ok=True)
        daemon = Daemon(settings, rehearsal, state_directory, port)
        say("command_line.serve.started", address=daemon.address, rig_kind=daemon.rig.kind)
        invitation = daemon.pairing_code
        click.echo(invitation.terminal() if sys.stdout.isatty() else invitation.text())
    daemon.run()
    if daemon.rig.gate.reads_on():
        say("command_line.serve.ended_with_relay_on")
    else:
        say("command_line.serve.ended")
