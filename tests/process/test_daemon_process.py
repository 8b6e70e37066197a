"""The daemon as a real process: signals with open streams, a kill in mid-run, a restart."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from api.cli.client import ApiClient, ApiRefusedError
from tests.kits.daemon_child import PLATE, ROOT, serving


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_with_open_streams_turns_off_and_leaves_in_time(
    tmp_path: Path, number: signal.Signals
) -> None:
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
    assert err == ""
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


def test_a_kill_in_mid_run_comes_back_interrupted_with_its_charge_and_says_what_may_be_missing(
    tmp_path: Path,
) -> None:
    with serving(tmp_path, speed=4.0) as process:
        process.start()
        seen = process.until(
            lambda status: status["state"] == "running" and status["charge_coulombs"] > 20.0
        )
        process.kill()
    with serving(tmp_path, speed=4.0) as again:
        back = again.until(lambda status: status["state"] == "interrupted")
        assert not back["relay_on"]
        # At most 2 s at 3 A are uncertain, and said so.
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


def test_a_program_at_the_bench_commands_by_the_token_in_the_state_directory(
    tmp_path: Path,
) -> None:
    with serving(tmp_path) as process:
        process.until(lambda status: status["logbook_ready"])
        with pytest.raises(ApiRefusedError, match="not paired"):
            ApiClient(process.address).post("/api/start", PLATE)
        assert ApiClient(process.address).post("/api/stop")["relay_on"] is False
        process.start()


def test_the_demonstration_needs_no_pin_and_ctrl_c_leaves_the_relay_off() -> None:
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
        told = []
        for line in demo.stdout:
            told.append(line)
            if line.startswith("running"):
                break
        os.killpg(
            demo.pid, signal.SIGINT
        )  # as a terminal sends it, to the demonstration and its daemon
        out, err = demo.communicate()
    finally:
        if demo.poll() is None:
            os.killpg(demo.pid, signal.SIGKILL)
            demo.communicate()
    assert any("give the PIN" in line for line in told)
    assert "the relay output reads off" in out
    assert "Traceback" not in err
    assert demo.returncode == 130


def test_a_taken_port_is_told_in_one_line(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = subprocess.run(
            [sys.executable, "-m", "api.cli.command_line", "serve", "--rig", "rehearsal", "--port", str(port),
             "--state-directory", str(tmp_path)],
            capture_output=True, text=True, cwd=ROOT, check=False,
        )  # fmt: skip
    assert result.returncode == 2
    assert f"Cannot listen on 127.0.0.1 port {port}: Address already in use" in result.stderr
    assert "Traceback" not in result.stderr
