"""``biteclock devices``: list and revoke the paired devices."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from api.cli.bench.local import asking, daemon_option, local_client
from api.cli.options import json_option
from api.cli.printing import help_of, print_json, say
from controller.errors import RefusedError
from controller.texts import text

LIST = "/api/pairings"


@click.group(help=help_of("command_line.devices"))
def devices() -> None:
    """Run one of the commands below."""


@devices.command(
    "list",
    help=help_of("command_line.devices.list"),
    short_help=text("command_line.devices.list.summary"),
)
@daemon_option
@json_option
@asking
def list_devices(state_directory: Path | None, as_json: bool) -> None:
    """Print the devices, oldest first."""
    known = local_client(state_directory).get(LIST)["pairings"]
    if as_json:
        print_json([_shown(device) for device in known])
        return
    for device in known:
        click.echo(_line(device))
    if not known:
        say("command_line.devices.list.empty")


@devices.command(
    help=help_of("command_line.devices.revoke"),
    short_help=text("command_line.devices.revoke.summary"),
)
@click.argument("name", required=False)
@click.option("--all", "every", is_flag=True, help=text("command_line.devices.revoke.all"))
@daemon_option
@asking
def revoke(name: str | None, every: bool, state_directory: Path | None) -> None:
    """End the pairing of one device, or of all."""
    if (name is None) != every:
        raise click.UsageError(text("command_line.devices.revoke.one_or_all"))
    client = local_client(state_directory)
    if name is None:
        client.post(f"{LIST}/revoke-all")
        say("command_line.devices.revoke.all_done")
        return
    device = _chosen(client.get(LIST)["pairings"], name)
    left = client.post(f"{LIST}/{device['pairing_id']}/revoke")["pairings"]
    say("command_line.devices.revoke.done", name=device["name"], pairing_id=device["pairing_id"])
    same = [it for it in left if it["paired_from"] and it["paired_from"] == device["paired_from"]]
    if same:
        listed = "\n".join(map(_line, same))
        say("command_line.devices.revoke.same_address", devices=listed)


def _chosen(known: list[dict[str, Any]], name: str) -> dict[str, Any]:
    """Return the device with an id or a name. Raises: RefusedError unless there is exactly one."""
    found = [device for device in known if device["pairing_id"] == name]
    found = found or [it for it in known if it["name"].casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        listed = "\n".join(map(_line, known)) or text("command_line.devices.list.empty")
        raise RefusedError(
            "command_line.devices.revoke.unknown", field="name", name=ascii(name), devices=listed
        )
    listed = "\n".join(map(_line, found))
    raise RefusedError(
        "command_line.devices.revoke.several",
        field="name",
        matches=len(found),
        name=ascii(name),
        devices=listed,
    )


def _line(device: dict[str, Any]) -> str:
    return text(
        "command_line.devices.list.line",
        pairing_id=device["pairing_id"],
        paired_at_utc=device["paired_at_utc"][:16],
        address=device["paired_from"] or "-",
        name=device["name"],
    ).rstrip()


def _shown(device: dict[str, Any]) -> dict[str, Any]:
    return {name: it for name, it in device.items() if name != "is_this_one"}
