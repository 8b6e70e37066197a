"""The demonstration: the real daemon on the rehearsal rig, in a separate process, over its API."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any
from urllib.request import ProxyHandler, build_opener

import click

from api.access.auth import read_bench_token
from api.cli.client import ApiClient, ApiRefusedError
from api.cli.exit_status import EXIT_STATUS
from api.cli.printing import say
from api.http.problem_kinds import WRONG_STATE
from controller.errors import BiteclockError
from controller.messages import RunState
from controller.ports import ENDING_SIGNALS
from controller.texts import text
from controller.units import mm2_to_cm2

PIECE: dict[str, Any] = {
    "piece": "Tide lines, brooch plate",
    "metal": "fine-silver",
    "area_mm2": 712.0,
    "edge_mm": 640.0,
    "depth_mm": 0.25,
    "thickness_mm": 1.2,
    "current_a": 2.8,
}
"""A brooch plate of fine silver with fine lines, so that the undercut matters."""

ENDED = frozenset(EXIT_STATUS)
FAREWELL_S = 5.0
"""Longest wait for the daemon to end, s."""

SIGNALLED = 128
"""A command that a signal has ended gives this and the signal's number, as a shell would."""

SHOWN_PERCENT = 5
"""Step between two lines of progress, where the output is no terminal."""


def run_demo(speed: float, port: int, once: bool) -> int:
    """Run the demonstration and return its exit status. The relay is off whenever this returns.

    :param speed: virtual seconds per real second.
    :param once: end with the run instead of serving on.
    Raises: BiteclockError when the daemon does not start or ends early.
    """
    # All of them, also where a shell ignores some for what it starts in the background.
    for number in ENDING_SIGNALS:
        signal.signal(number, _end)
    with tempfile.TemporaryDirectory(prefix="biteclock-demo-") as state_directory:
        command = [sys.executable, "-m", "api.cli.command_line", "serve", "--rig", "rehearsal"]
        command += ["--speed", str(speed), "--port", str(port)]
        # Every demonstration is the same, whatever is installed here.
        defaults = Path(state_directory, "biteclock.toml")
        defaults.touch()
        command += ["--config", str(defaults), "--state-directory", state_directory]
        daemon = subprocess.Popen(  # noqa: S603 our own module
            command, stdout=subprocess.PIPE, text=True
        )
        try:
            return _show(daemon, Path(state_directory), once)
        except _Ended as ended:
            with suppress(OSError):  # the terminal may be gone
                click.echo()
                say("command_line.demo.interrupted")
            return SIGNALLED + ended.number
        finally:
            for number in ENDING_SIGNALS:
                signal.signal(number, signal.SIG_IGN)  # nothing stands between daemon and end
            if daemon.poll() is None:
                daemon.terminate()
            try:
                farewell, _ = daemon.communicate(timeout=FAREWELL_S)
            except subprocess.TimeoutExpired:
                daemon.kill()
            else:
                with suppress(OSError):
                    click.echo("".join(farewell.splitlines()[-1:]))


class _Ended(BaseException):
    """A signal ends the demonstration. No handler of errors on the way takes it."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def _end(number: int, _frame: FrameType | None) -> None:
    raise _Ended(number)


def _show(daemon: subprocess.Popen[str], state_directory: Path, once: bool) -> int:
    address = _address(daemon)
    client = ApiClient(address, read_bench_token(state_directory))
    say("command_line.demo.address", address=address)
    say("command_line.demo.pin", pin=client.get("/api/pairing")["pin"])
    say(
        "command_line.demo.piece",
        piece=PIECE["piece"],
        metal=PIECE["metal"],
        area_cm2=mm2_to_cm2(PIECE["area_mm2"]),
        depth_mm=PIECE["depth_mm"],
        current_a=PIECE["current_a"],
    )
    state = _watch(client, address)
    _print_summary(client)
    if once:
        return EXIT_STATUS[state]
    say("command_line.demo.look", address=address)
    say("command_line.demo.serving")
    daemon.wait()
    return EXIT_STATUS[state]


def _address(daemon: subprocess.Popen[str]) -> str:
    """Return the address in the daemon's greeting. Raises: BiteclockError when there is none."""
    for line in daemon.stdout or ():
        for word in line.split():
            if word.startswith("http://127.0.0.1:"):
                return word
    raise BiteclockError("command_line.demo.not_started")


def _watch(client: ApiClient, address: str) -> RunState:
    """Start the run as soon as the daemon accepts it, and print its progress.

    Returns the state in which the run ends. Raises: BiteclockError when the daemon ends first.
    """
    is_terminal = sys.stdout.isatty()
    run_id, next_percent = None, 0
    for status in _events(address):
        if run_id is None:
            run_id = _start(client) if status["logbook_ready"] else None
            continue
        if status["run_id"] != run_id or status["depth_mm"] is None:
            continue
        state = RunState(status["state"])
        percent = round(100 * status["depth_mm"] / status["target_depth_mm"])
        if is_terminal:
            click.echo(f"\r{_progress(status)}", nl=False)
        elif percent >= next_percent or state in ENDED:
            next_percent = percent + SHOWN_PERCENT
            click.echo(_progress(status))
        if state in ENDED:
            if is_terminal:
                click.echo()
            return state
    raise BiteclockError("command_line.demo.ended_early")


def _start(client: ApiClient) -> str | None:
    """Start the run; return None while the daemon is still getting ready.

    The bench is idle, so nothing else makes its state the wrong one. Raises: ApiRefusedError.
    """
    try:
        response = client.post("/api/start", PIECE)
    except ApiRefusedError as error:
        is_idle = client.get("/api/status")["state"] == RunState.IDLE
        if is_idle and error.kind == f"/problems/{WRONG_STATE.slug}":
            return None
        raise
    return str(response["run_id"])


def _progress(status: dict[str, Any]) -> str:
    values = {
        "state": status["state"],
        "depth_mm": status["depth_mm"],
        "low_mm": status["depth_low_mm"],
        "high_mm": status["depth_high_mm"],
        "target_mm": status["target_depth_mm"],
        **{name: status[name] for name in ("charge_coulombs", "current_a", "voltage_v")},
    }
    if status["remaining_s"] is None:
        return text("command_line.demo.progress_without_time", **values)
    minutes, seconds = divmod(int(status["remaining_s"]), 60)
    return text("command_line.demo.progress", **values, left_minutes=minutes, left_seconds=seconds)


def _events(address: str) -> Iterator[dict[str, Any]]:
    """Yield each status that the daemon sends. Server-sent events: WHATWG HTML, section 9.2."""
    with build_opener(ProxyHandler({})).open(f"{address}api/events", timeout=60) as stream:
        for line in stream:
            if line.startswith(b"data:"):
                message = json.loads(line[5:])
                if "state" in message:
                    yield message


def _print_summary(client: ApiClient) -> None:
    status, truth = client.get("/api/status"), client.get("/api/rehearsal")
    outcome = {"state": status["state"], "message": status["message"]}
    if status["reason"]:
        say("command_line.demo.outcome_with_reason", **outcome, reason=status["reason"])
    else:
        say("command_line.demo.outcome", **outcome)
    say(
        "command_line.demo.depth",
        depth_mm=status["depth_mm"],
        low_mm=status["depth_low_mm"],
        high_mm=status["depth_high_mm"],
        true_mm=truth["depth_mm"],
        target_mm=status["target_depth_mm"],
    )
    say(
        "command_line.demo.charge",
        charge_coulombs=status["charge_coulombs"],
        true_coulombs=truth["charge_coulombs"],
    )
    times = {"on_time_s": status["on_time_s"], "planned_s": status["planned_s"]}
    if status["relay_on"]:
        say("command_line.demo.time_with_relay_on", **times)
    else:
        say("command_line.demo.time", **times)
