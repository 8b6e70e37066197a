"""``biteclock check`` and ``biteclock off``: of the running daemon when there is one, else of the rig itself."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from api.cli.client import ApiClient, ApiRefusedError, NoDaemonError
from api.cli.options import Refusal, config_option, json_option, print_json, refusing
from controller.config import Settings

port_option = click.option(
    "--port", type=int, help="Port of the running daemon. Default: from the configuration, 8420."
)


def daemon_client(settings: Settings, port: int | None) -> ApiClient:
    """Return a client of the daemon on this machine."""
    return ApiClient(f"http://127.0.0.1:{settings.server.port if port is None else port}")


@click.command()
@config_option
@port_option
@click.option("--direct", is_flag=True, help="Open the rig here, without a daemon.")
@click.option(
    "--rig",
    type=click.Choice(["bench", "rehearsal"]),
    default="bench",
    show_default=True,
    help="With --direct.",
)
@json_option
@refusing
def check(settings: Settings, port: int | None, direct: bool, rig: str, as_json: bool) -> None:
    """Check the rig with the relay off: sensor, zero offset, cell voltage, welded relay. Never switches anything on.

    Exit status: 0 all passed, 4 something failed.
    """
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
        mark = "ok  " if item["passed"] else "FAIL"
        numbers = (
            ""
            if item["value"] is None
            else f"{item['value']:.4g} {item['unit']}, limit {item['limit']:.4g} {item['unit']}"
        )
        click.echo(f"{mark} {item['name']:<16} {numbers}  {item['note']}".rstrip())
    for text in report["host_notes"]:
        click.echo(f"note {text}")
    for text in report["not_proven"]:
        click.echo(f"open {text}")
    if report["message"]:
        click.echo(report["message"])


@click.command()
@config_option
@port_option
@click.option(
    "--pin",
    "pins",
    multiple=True,
    metavar="GPIOxx",
    help="Relay output. Default: from the configuration.",
)
def off(settings: Settings, port: int | None, pins: tuple[str, ...]) -> None:
    """Force the relay off: asks the running daemon, or without one drives the output low itself."""
    if not pins:
        try:
            answer = daemon_client(settings, port).post("/api/stop")
        except (NoDaemonError, ApiRefusedError) as error:
            click.echo(f"{error} Driving {settings.rig.relay_pin} low instead.", err=True)
            pins = (settings.rig.relay_pin,)
        else:
            if answer["relay_on"]:
                raise Refusal(
                    "the daemon took the stop but its relay output still reads on: pull the supply's plug"
                )
            click.echo(f"relay off ({answer['message']})")
            return
    arguments = [part for pin in pins for part in ("--pin", pin)]
    os.execv(sys.executable, [sys.executable, "-m", "hardware.force_off", *arguments])  # noqa: S606 our own module, no shell
