"""``biteclock pair``: address, PIN and QR code for a phone."""

from __future__ import annotations

from pathlib import Path

import click

from api.cli.bench.local import asking, daemon_option, local_client
from api.cli.options import json_option
from api.cli.printing import help_of, print_json, say
from controller.texts import text
from controller.units import SECONDS_PER_HOUR

_FEW_HOURS = 2.0
"""From here on a person thinks in hours."""


@click.command(help=help_of("command_line.pair"))
@click.option("--new", is_flag=True, help=text("command_line.pair.new"))
@daemon_option
@json_option
@asking
def pair(new: bool, state_directory: Path | None, as_json: bool) -> None:
    """Print what pairs a phone."""
    client = local_client(state_directory)
    code = client.post("/api/pairing/new") if new else client.get("/api/pairing")
    if as_json:
        print_json({name: it for name, it in code.items() if name != "qr_svg"})
        return
    from api.access.pairing_code import PairingCode

    invitation = PairingCode(code["pin"], tuple(code["addresses"]), code["name"])
    click.echo(invitation.terminal())
    left_h = code["valid_s"] / SECONDS_PER_HOUR
    if left_h >= _FEW_HOURS:
        say("command_line.pair.valid_hours", left_h=left_h)
    else:
        say("command_line.pair.valid", minutes=max(1, code["valid_s"] // 60))
