"""The demonstration: the real daemon on the rehearsal bench in a process of its own, watched over its own API."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import click

from api.access.auth import read_bench_token
from api.cli.client import ApiClient, ApiRefusedError
from api.cli.rehearse import EXIT_STATUS
from controller.errors import BiteclockError
from controller.messages import RunState

PIECE: dict[str, Any] = {
    "piece": "Tide lines, brooch plate",
    "metal": "fine-silver",
    "area_mm2": 712.0,
    "edge_mm": 640.0,
    "depth_mm": 0.25,
    "thickness_mm": 1.2,
    "current_a": 2.8,
}
"""The piece of the demonstration: a brooch plate of fine silver with fine lines, so that the undercut matters."""

ENDED = frozenset(
    {RunState.FINISHED, RunState.STOPPED, RunState.PAUSED, RunState.TRIPPED, RunState.INTERRUPTED}
)
GOODBYE_S = 5.0
"""Longest wait for the daemon to end, s."""


def run_demo(speed: float, port: int, once: bool) -> int:
    """Run the demonstration and return its exit status; the relay is off whenever this returns.

    :param speed: virtual seconds per real second.
    :param once: end with the run instead of serving on.
    """
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # a shell that starts it in the background has it ignored
    with tempfile.TemporaryDirectory(prefix="biteclock-demo-") as state_directory:
        daemon = subprocess.Popen(  # noqa: S603 our own module
            [sys.executable, "-m", "api.cli.command_line", "serve", "--rig", "rehearsal", "--speed", str(speed), "--port", str(port),
             "--state-directory", state_directory],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            return _show(daemon, Path(state_directory), once)
        except KeyboardInterrupt:
            click.echo("\nCtrl-C: the daemon turns the relay off and ends.")
            return 130
        finally:
            if daemon.poll() is None:
                daemon.terminate()
            try:
                farewell, _ = daemon.communicate(timeout=GOODBYE_S)
            except subprocess.TimeoutExpired:
                daemon.kill()
            else:
                click.echo("".join(farewell.splitlines()[-1:]))


def _show(daemon: subprocess.Popen[str], state_directory: Path, once: bool) -> int:
    address = _address(daemon)
    client = ApiClient(address, read_bench_token(state_directory))
    click.echo(
        f"Page and API: {address} (Ctrl-C ends it). A model of the bench; a real one needs the cautions in README.md."
    )
    click.echo(f"To command it from the page, give the PIN {client.get('/api/pairing')['pin']}.")
    click.echo(
        f"{PIECE['piece']}: {PIECE['metal']}, {PIECE['area_mm2'] / 100:.2f} cm2, {PIECE['depth_mm']} mm at {PIECE['current_a']} A"
    )
    state = _watch(client, address)
    _summary(client, address)
    if once:
        return EXIT_STATUS[state]
    click.echo("Still serving; Ctrl-C ends it.")
    daemon.wait()
    return EXIT_STATUS[state]


def _address(daemon: subprocess.Popen[str]) -> str:
    """Return the address in the daemon's greeting. Raises: BiteclockError when it ends without one."""
    for line in daemon.stdout or ():
        for word in line.split():
            if word.startswith("http://127.0.0.1:"):
                return word
    raise BiteclockError("the daemon did not start: its own message stands above")


def _watch(client: ApiClient, address: str) -> RunState:
    """Start the run as soon as the daemon takes it, print its progress, and return the state that it ends in."""
    is_terminal = sys.stdout.isatty()
    run_id, shown_percent = None, -5
    for status in _events(address):
        if run_id is None:
            run_id = _start(client) if status["logbook_ready"] else None
            continue
        if status["run_id"] != run_id or status["depth_mm"] is None:
            continue
        state = RunState(status["state"])
        percent = round(100 * status["depth_mm"] / status["target_depth_mm"])
        if is_terminal:
            click.echo(f"\r{_line(status)}", nl=False)
        elif percent >= shown_percent + 5 or state in ENDED:
            shown_percent = percent
            click.echo(_line(status))
        if state in ENDED:
            if is_terminal:
                click.echo()
            return state
    raise BiteclockError("the daemon ended before the run did")


def _start(client: ApiClient) -> str | None:
    """Start the run; None while the daemon does not take it yet."""
    try:
        answer = client.post("/api/start", PIECE)
    except ApiRefusedError as error:
        if "logbook" in str(error):
            return None
        raise
    return str(answer["run_id"])


def _line(status: dict[str, Any]) -> str:
    left_s = status["remaining_s"]
    left = "  -  " if left_s is None else f"{int(left_s) // 60:2d}:{int(left_s) % 60:02d}"
    return (
        f"{status['state']:<9} {status['depth_mm']:.3f} mm ({status['depth_low_mm']:.3f} to {status['depth_high_mm']:.3f}) "
        f"of {status['target_depth_mm']:.3f}  {status['charge_coulombs']:7.1f} C  {status['current_a']:6.3f} A  "
        f"{status['voltage_v']:5.2f} V  {left} left"
    )


def _events(address: str) -> Iterator[dict[str, Any]]:
    """Yield each status that the daemon sends. Server-sent events: WHATWG HTML, section 9.2."""
    with urlopen(f"{address}api/events", timeout=60) as stream:  # noqa: S310 always http
        for line in stream:
            if line.startswith(b"data:"):
                message = json.loads(line[5:])
                if "state" in message:
                    yield message


def _summary(client: ApiClient, address: str) -> None:
    status, truth = client.get("/api/status"), client.get("/api/rehearsal")
    reason = f" ({status['reason']})" if status["reason"] else ""
    click.echo(f"{status['state']}{reason}: {status['message']}")
    click.echo(
        f"depth   {status['depth_mm']:.3f} mm estimated (95 %: {status['depth_low_mm']:.3f} to {status['depth_high_mm']:.3f}), "
        f"{truth['depth_mm']:.3f} mm true on the model, {status['target_depth_mm']:.3f} mm wanted"
    )
    click.echo(
        f"charge  {status['charge_coulombs']:.1f} C counted, {truth['charge_coulombs']:.1f} C true"
    )
    relay = "ON" if status["relay_on"] else "off"
    click.echo(
        f"time    {status['on_time_s']:.0f} s with the relay on, {status['planned_s']:.0f} s planned; relay {relay}"
    )
    click.echo(f"Look at it: {address}")
