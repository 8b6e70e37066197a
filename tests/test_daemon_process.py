"""The daemon as a real process: signals with open streams, a kill in mid-run, a restart."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from api.client import ApiClient, ApiRefusedError

PLATE = {
    "piece": "reed panel",
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
}
LEAVES_WITHIN_S = 3.0
"""A limit on hanging, not a speed."""


class Process:
    """``biteclock serve`` on the rehearsal bench."""

    def __init__(self, state_directory: Path, speed: float) -> None:
        self._child = subprocess.Popen(
            [sys.executable, "-m", "api.cli", "serve", "--rig", "rehearsal", "--speed", str(speed), "--port", "0",
             "--state-directory", str(state_directory)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent,
        )  # fmt: skip
        assert self._child.stdout is not None
        greeting = self._child.stdout.readline()
        assert greeting, self._child.stderr.read() if self._child.stderr else ""
        self.address = next(word for word in greeting.split() if word.startswith("http"))
        self.client = ApiClient(self.address)

    def until(self, condition: Any) -> dict[str, Any]:
        """Follow the event stream until a status fulfils the condition."""
        with urlopen(f"{self.address}api/events", timeout=30) as stream:
            for line in stream:
                if line.startswith(b"data:"):
                    status: dict[str, Any] = json.loads(line[5:])
                    if "state" in status and condition(status):
                        return status
        raise AssertionError("the stream ended first")

    def start(self) -> str:
        """Start the plate as soon as the logbook has been checked."""
        while True:
            self.until(lambda _status: True)
            try:
                return str(self.client.post("/api/start", PLATE)["run_id"])
            except ApiRefusedError as error:
                if "logbook" not in str(error):
                    raise

    def end(self, number: signal.Signals) -> tuple[int, str, str]:
        """Send a signal and return exit status, output and errors of the process, which must leave in time."""
        gone = os.pidfd_open(self._child.pid)
        try:
            self._child.send_signal(number)
            assert select.select([gone], [], [], LEAVES_WITHIN_S)[0], f"still there {LEAVES_WITHIN_S} s after {number.name}"
        finally:
            os.close(gone)
        out, err = self._child.communicate()
        return self._child.returncode, out, err

    def kill(self) -> None:
        if self._child.poll() is None:
            self._child.kill()
            self._child.communicate()


@contextmanager
def serving(state_directory: Path, speed: float = 30.0) -> Iterator[Process]:
    process = Process(state_directory, speed)
    try:
        yield process
    finally:
        process.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_with_open_streams_turns_off_and_leaves_in_time(tmp_path: Path, number: signal.Signals) -> None:
    with serving(tmp_path) as process:
        run_id = process.start()
        seen = process.until(lambda status: status["state"] == "running" and status["charge_coulombs"] > 30.0)
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
            lambda status: status["state"] == "running" and status["charge_coulombs"] > back["charge_coulombs"] + 5
        )
        assert further["run_id"] == run_id


def test_a_kill_in_mid_run_comes_back_interrupted_with_its_charge_and_says_what_may_be_missing(tmp_path: Path) -> None:
    with serving(tmp_path, speed=4.0) as process:
        process.start()
        seen = process.until(lambda status: status["state"] == "running" and status["charge_coulombs"] > 20.0)
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
        with pytest.raises(ApiRefusedError, match="cannot start while interrupted: resume or stop is possible now"):
            again.client.post("/api/start", PLATE)
        assert again.client.post("/api/stop")["relay_on"] is False
        stopped = again.until(lambda status: status["state"] == "stopped")
        assert stopped["charge_coulombs"] == back["charge_coulombs"]


def test_a_taken_port_is_told_in_one_line(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = subprocess.run(
            [sys.executable, "-m", "api.cli", "serve", "--rig", "rehearsal", "--port", str(port), "--state-directory", str(tmp_path)],
            capture_output=True, text=True, cwd=Path(__file__).parent.parent, check=False,
        )  # fmt: skip
    assert result.returncode == 2
    assert f"cannot listen on 127.0.0.1 port {port}: Address already in use" in result.stderr
    assert "Traceback" not in result.stderr
