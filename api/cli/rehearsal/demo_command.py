"""``biteclock demo``: the main job without hardware."""

from __future__ import annotations

import click

from api.cli.options import refusing
from api.cli.printing import help_of
from controller.texts import text


@click.command(help=help_of("command_line.demo"))
@click.option(
    "--speed", type=float, default=30.0, show_default=True, help=text("command_line.demo.speed")
)
@click.option(
    "--port", type=int, default=8420, show_default=True, help=text("command_line.demo.port")
)
@click.option("--once", is_flag=True, help=text("command_line.demo.once"))
@refusing
def demo(speed: float, port: int, once: bool) -> None:
    """Run the demonstration."""
    from api.cli.rehearsal.demo import run_demo

    raise SystemExit(run_demo(speed, port, once))
