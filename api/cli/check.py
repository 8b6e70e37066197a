"""``biteclock check`` and ``biteclock off``: through the running daemon, or on the rig directly."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

import click

from api.cli.options import Refusal, config_option, json_option, refusing
from api.cli.printing import help_of, print_json, say
from controller.texts import text

if TYPE_CHECKING:
    from api.cli.client import ApiClient
    from controller.config import Settings

port_option = click.option("--port", type=int, help=text("command_line.common.daemon_port"))


def daemon_client(settings: Settings, port: int | None) -> ApiClient:
    """Return a client of the daemon on this machine."""
    from api.cli.bench.local import bench_client

    return bench_client(settings, port)


@click.command(help=help_of("command_line.check"))
@config_option
@port_option
@click.option("--direct", is_flag=True, help=text("command_line.check.direct"))
@click.option(
    "--rig",
    type=click.Choice(["bench", "rehearsal"]),
    default="bench",
    show_default=True,
    help=text("command_line.check.rig"),
)
@json_option
@refusing
def check(settings: Settings, port: int | None, direct: bool, rig: str, as_json: bool) -> None:
    """Print a rig check. Nothing is switched on."""
    if direct:
        from api.main import check_rig_directly

        report = check_rig_directly(settings, rehearse=rig == "rehearsal")
    else:
        report = daemon_client(settings, port).get("/api/rig-check")
    if as_json:
        print_json(report)
    else:
        _print_report(report)
    raise SystemExit(0 if report["passed"] else 4)


def _print_report(report: dict[str, Any]) -> None:
    for item in report["items"]:
        values = {name: item[name] for name in ("name", "value", "unit", "limit", "note")}
        match item["passed"], item["value"] is not None:
            case True, True:
                say("command_line.check.passed_with_value", **values)
            case True, False:
                say("command_line.check.passed", **values)
            case False, True:
                say("command_line.check.failed_with_value", **values)
            case False, False:
                say("command_line.check.failed", **values)
    for note in report["host_notes"]:
        say("command_line.check.note", note=note)
    for note in report["not_proven"]:
        say("command_line.check.not_proven", note=note)
    if report["message"]:
        say("command_line.common.message", message=report["message"])


@click.command(help=help_of("command_line.off"))
@config_option
@port_option
@click.option("--pin", "pins", multiple=True, metavar="GPIOxx", help=text("command_line.off.pin"))
def off(settings: Settings, port: int | None, pins: tuple[str, ...]) -> None:
    """Ask the daemon for off; where that fails or pins are given, drive the output low."""
    if not pins:
        from api.cli.client import ApiRefusedError, NoDaemonError

        try:
            response = daemon_client(settings, port).post("/api/stop")
        except (NoDaemonError, ApiRefusedError) as error:
            click.echo(str(error), err=True)
            pins = (settings.rig.relay_pin,)
            click.echo(text("command_line.off.drive_low", relay_pin=pins[0]), err=True)
        else:
            if response["relay_on"] is None:  # nobody could read it
                raise Refusal(response["message"])
            if response["relay_on"]:
                raise Refusal(text("command_line.off.still_on"))
            say("command_line.off.done", message=response["message"])
            return
    arguments = [part for pin in pins for part in ("--pin", pin)]
    command = [sys.executable, "-m", "hardware.force_off", *arguments]
    os.execv(sys.executable, command)  # noqa: S606 our own module, no shell
