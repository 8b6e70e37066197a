"""``biteclock check``: through the running daemon, or on the rig directly."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from api.cli.options import (
    NotWell,
    config_option,
    json_option,
    place_of,
    refuse_to_guess,
    refusing,
)
from api.cli.printing import help_of, print_json, say
from controller.texts import text

if TYPE_CHECKING:
    from api.cli.client import ApiClient
    from controller.config import Settings

port_option = click.option("--port", type=int, help=text("command_line.common.daemon_port"))


def daemon_client(
    settings: Settings | None, port: int | None, timeout_s: float | None = None
) -> ApiClient:
    """Return a client of the daemon on this machine.

    :param settings: None only when the port is given, or where there is a local socket.
    :param timeout_s: longest wait for a response, s, or None for the client's own.
    """
    from api.cli.bench.local import bench_client
    from api.cli.client import TIMEOUT_S

    return bench_client(settings, port, TIMEOUT_S if timeout_s is None else timeout_s)


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
        report = _direct_report(settings, rehearse=rig == "rehearsal")
    else:
        report = _report_of_daemon(settings, port)
    if as_json:
        print_json(report)
    else:
        _print_report(report)
    raise SystemExit(0 if report["passed"] else NotWell.exit_code)


def _direct_report(settings: Settings, *, rehearse: bool) -> dict[str, Any]:
    from api.main import check_rig_directly

    context = click.get_current_context()
    if rehearse:
        return check_rig_directly(place_of(context).for_rehearsal(), rehearse=True)
    refuse_to_guess(context, "command_line.common.no_pin")
    return check_rig_directly(settings, rehearse=False)


def _report_of_daemon(settings: Settings, port: int | None) -> dict[str, Any]:
    from api.cli.bench.local import open_socket
    from api.cli.client import NoDaemonError

    if port is None and open_socket() is None:
        refuse_to_guess(click.get_current_context(), "command_line.common.no_port")
    try:
        report: dict[str, Any] = daemon_client(settings, port).get("/api/rig-check")
    except NoDaemonError as error:
        raise NotWell(str(error)) from error
    return report


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
