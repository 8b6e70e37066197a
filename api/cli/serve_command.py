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
from api.cli.options import NotWell, config_option, place_of, refusing, state_directory_option
from api.cli.printing import help_of, say, say_if_heard
from api.cli.rehearsal.fault_option import fault_option
from controller.errors import RefusedError
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


def _make(state_directory: Path) -> None:
    """Make the state directory if there is none. Raises: RefusedError."""
    try:
        state_directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RefusedError(
            "command_line.serve.no_state_directory",
            field="state_directory",
            directory=state_directory,
            problem=error.strerror or str(error),
        ) from error


def _beside_the_bench(settings: Settings, state_directory: Path) -> tuple[Settings, Path]:
    """Return settings and state directory of a rehearsal, which leaves the bench's records alone.

    What was given counts as it is.
    """
    context = click.get_current_context()
    source = context.get_parameter_source("state_directory")
    place = place_of(context)
    return (
        settings if place.is_given else place.for_rehearsal(),
        Path() if source is click.core.ParameterSource.DEFAULT else state_directory,
    )


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
            settings, state_directory = _beside_the_bench(settings, state_directory)
        _make(state_directory)
        daemon = Daemon(settings, rehearsal, state_directory, port)
        say("command_line.serve.started", address=daemon.address, rig_kind=daemon.rig.kind)
        invitation = daemon.pairing_code
        click.echo(invitation.terminal() if sys.stdout.isatty() else invitation.without_pin())
    daemon.run()
    if daemon.rig.gate.reads_on():
        say_if_heard("command_line.serve.ended_with_relay_on")
        raise click.exceptions.Exit(NotWell.exit_code)
    say_if_heard("command_line.serve.ended")
