"""The real daemon and the real commands: the local socket, a kill, a backup and its restoration."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

from tests.kits.page.daemon import PageBench, page_bench
from tests.paths import ROOT


def biteclock(directory: Path, *arguments: str, status: int = 0) -> str:
    command = [sys.executable, "-m", "api.cli.command_line", *arguments]
    called = subprocess.run(
        [*command, "--state-directory", str(directory)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert called.returncode == status, called.stderr
    return called.stdout + called.stderr


def test_commands_through_socket(tmp_path: Path) -> None:
    """After a kill the next daemon takes the socket over; a clean end removes it."""
    socket = tmp_path / "control.sock"
    first = PageBench(tmp_path)
    assert socket.is_socket()
    first.kill()
    assert socket.is_socket(), "a killed daemon leaves it"
    assert "no biteclock answers" in biteclock(tmp_path, "pair", status=1)
    with page_bench(tmp_path) as bench:
        code = json.loads(biteclock(tmp_path, "pair", "--json"))
        bench.ask("POST", "/api/pair", {"pin": code["pin"], "name": "phone"})
        assert "phone" in biteclock(tmp_path, "devices", "list")
        assert "revoked" in biteclock(tmp_path, "devices", "revoke", "phone")
        assert json.loads(biteclock(tmp_path, "pair", "--json"))["pin"] != code["pin"]
        bench.start()
        bench.until("running")
        file = tmp_path / "bench.zip"
        assert "checked" in biteclock(tmp_path, "backup", str(file))
        refused = biteclock(tmp_path, "restore", str(file), status=2)
        assert "The rig is running" in refused
        bench.ask("POST", "/api/stop", {})
        bench.until("stopped", "idle")
        assert "Restart the controller" in biteclock(tmp_path, "restore", str(file))
    assert not socket.exists()
    with page_bench(tmp_path) as bench:
        next(status for status in bench.events() if status["logbook_ready"])
        (run,) = bench.ask("GET", "/api/runs")["runs"]
        assert run["state"] == "stopped"
        assert bench.process.poll() is None
        bench.process.send_signal(signal.SIGTERM)
    assert len(list(tmp_path.glob("biteclock-replaced-*.sqlite"))) == 1
