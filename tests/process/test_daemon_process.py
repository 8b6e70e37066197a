"""The daemon as a real process: signals with open streams, a kill in mid-run, a restart."""

from __future__ import annotations

import os
import re
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from api.cli.client import ApiClient, ApiRefusedError
from tests.kits.daemon_child import PLATE, ROOT, serving, unexpected


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_with_open_streams(tmp_path: Path, number: signal.Signals) -> None:
    """A signal turns the relay off and ends the daemon in time, though streams are open."""
    with serving(tmp_path) as process:
        run_id = process.start()
        seen = process.until(
            lambda status: status["state"] == "running" and status["charge_coulombs"] > 30.0
        )
        assert seen["relay_on"]
        with ExitStack() as stack:
            for _ in range(5):
                port = int(process.address.rsplit(":", 1)[1].strip("/"))
                stream = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
                stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                assert stream.recv(64).startswith(b"HTTP/1.1 200")
            status, out, err = process.end(number)
    assert status == 0
    assert "the relay output reads off" in out
    assert all(line.startswith("Run ") for line in err.splitlines()), err
    with serving(tmp_path) as again:
        back = again.until(lambda status: status["state"] == "interrupted")
        assert back["run_id"] == run_id
        assert not back["relay_on"]
        assert back["charge_coulombs"] >= seen["charge_coulombs"]
        assert back["uncertain_charge_coulombs"] == 0.0, "it went in order: nothing is missing"
        again.client.post("/api/resume")
        further = again.until(
            lambda status: (
                status["state"] == "running"
                and status["charge_coulombs"] > back["charge_coulombs"] + 5
            )
        )
        assert further["run_id"] == run_id


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGUSR1, signal.SIGTSTP, signal.SIGRTMAX])
def test_other_signals_end_it(tmp_path: Path, number: signal.Signals) -> None:
    """A closed terminal, a stray signal and Ctrl-Z: off, and an end in order."""
    with serving(tmp_path) as process:
        process.running()
        status, out, err = process.end(number)
    assert (status, unexpected(err)) == (0, [])
    assert "the relay output reads off" in out


def test_closed_output_is_no_harm(tmp_path: Path) -> None:
    """Whoever read the daemon's output is gone: the run goes on, and the end is in order."""
    with serving(tmp_path) as process:
        before = process.running()
        process.close_output()
        os.kill(process.pid, signal.SIGPIPE)
        process.until(
            lambda status: (
                status["state"] == "running"
                and status["charge_coulombs"] > before["charge_coulombs"] + 30.0
            )
        )
        status, _, err = process.end(signal.SIGTERM)
    assert (status, unexpected(err)) == (0, [])


def test_kill_in_mid_run(
    tmp_path: Path,
) -> None:
    """The run comes back interrupted, with its charge and what may be missing."""
    with serving(tmp_path, speed=4.0) as process:
        process.start()
        seen = process.until(
            lambda status: status["state"] == "running" and status["charge_coulombs"] > 20.0
        )
        process.kill()
    with serving(tmp_path, speed=4.0) as again:
        back = again.until(lambda status: status["state"] == "interrupted")
        assert not back["relay_on"]
        # At most 2 s at 3 A are uncertain, and the status says so.
        assert back["uncertain_charge_coulombs"] == pytest.approx(6.0, rel=0.02)
        missing = seen["charge_coulombs"] - back["charge_coulombs"]
        assert missing <= back["uncertain_charge_coulombs"]
        assert "may be missing" in back["message"]
        assert back["depth_high_mm"] > back["depth_mm"]
        with pytest.raises(
            ApiRefusedError,
            match="rig is interrupted",
        ):
            again.client.post("/api/start", PLATE)
        assert again.client.post("/api/stop")["relay_on"] is False
        stopped = again.until(lambda status: status["state"] == "stopped")
        assert stopped["charge_coulombs"] == back["charge_coulombs"]


def test_bench_token_commands(
    tmp_path: Path,
) -> None:
    """A program at the bench commands with the token in the state directory."""
    with serving(tmp_path) as process:
        process.until(lambda status: status["logbook_ready"])
        with pytest.raises(ApiRefusedError, match="not paired"):
            ApiClient(process.address).post("/api/start", PLATE)
        assert ApiClient(process.address).post("/api/stop")["relay_on"] is False
        process.start()


@contextmanager
def demonstration() -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """Run the demonstration until its run is running; give it and the lines that it printed."""
    command = [sys.executable, "-m", "api.cli.command_line", "demo", "--speed", "60", "--port", "0"]
    demo = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        start_new_session=True,
    )
    try:
        assert demo.stdout is not None
        lines = []
        for line in demo.stdout:
            lines.append(line)
            if line.startswith("running"):
                break
        yield demo, lines
    finally:
        if demo.poll() is None:
            os.killpg(demo.pid, signal.SIGKILL)
            demo.communicate()


def test_ctrl_c_ends_demonstration() -> None:
    """The demonstration needs no PIN, and Ctrl-C leaves the relay off."""
    with demonstration() as (demo, lines):
        # As a terminal sends it, to the demonstration and its daemon.
        os.killpg(demo.pid, signal.SIGINT)
        out, err = demo.communicate()
    assert any("give the PIN" in line for line in lines)
    assert "the relay output reads off" in out
    assert "Traceback" not in err
    assert demo.returncode == 130


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_signal_ends_demonstration(number: signal.Signals) -> None:
    """Sent to the demonstration alone: its daemon goes with it, and the port is free again."""
    with demonstration() as (demo, lines):
        port = next(int(m[1]) for line in lines if (m := re.search(r"127\.0\.0\.1:(\d+)/", line)))
        demo.send_signal(number)
        out, err = demo.communicate()
        assert "the relay output reads off" in out
        assert (demo.returncode, unexpected(err)) == (128 + number, [])
        socket.create_server(("127.0.0.1", port)).close()


def test_taken_port_message(tmp_path: Path) -> None:
    """A taken port is reported in one line."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = subprocess.run(
            [sys.executable, "-m", "api.cli.command_line", "serve", "--rig", "rehearsal",
             "--port", str(port),
             "--state-directory", str(tmp_path)],
            capture_output=True, text=True, cwd=ROOT, check=False,
        )  # fmt: skip
    assert result.returncode == 2
    assert f"Cannot listen on 127.0.0.1, port {port}: Address already in use" in result.stderr
    assert "PORT=NUMBER with make demo" in " ".join(result.stderr.split())
    assert "Traceback" not in result.stderr


def children(pid: int) -> list[int]:
    """Return the processes that a process has started and not yet collected."""
    return [
        int(child)
        for task in Path(f"/proc/{pid}/task").iterdir()
        for child in (task / "children").read_text().split()
    ]


def test_plans_are_made_elsewhere(tmp_path: Path) -> None:
    """Nothing that takes long runs in the daemon's threads, and no process outlives it."""
    with serving(tmp_path, speed=4.0) as process:
        process.until(lambda status: status["state"] == "idle" and status["logbook_ready"])
        assert children(process.pid) == [], "none before the first plan"
        process.client.post("/api/plan", PLATE)
        (calculator,) = children(process.pid)
        command = Path(f"/proc/{calculator}/cmdline").read_bytes()
        assert b"controller.calculator.process" in command
        ended = os.pidfd_open(calculator)
        try:
            process.kill()
            assert select.select([ended], [], [], 60.0)[0], "it outlived the daemon"
        finally:
            os.close(ended)
