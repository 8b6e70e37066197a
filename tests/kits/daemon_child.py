"""``biteclock serve`` on the rehearsal rig in a separate process, to signal, starve or kill."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import urlopen

from api.access.auth import read_bench_token
from api.cli.client import ApiClient, ApiRefusedError
from tests.paths import ROOT

PLATE = {
    "piece": "reed panel",
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
}
LEAVES_WITHIN_S = 30.0
"""A limit on hanging, not a speed."""


class Process:
    """The daemon. Its errors go to a file: a pipe that nobody reads would fill and hold it up.

    :param speed: virtual seconds per real second.
    :param words: further words of the command line.
    :param environment: added to this process's own.
    :param program: what python runs, up to the words that follow "serve"; on the rehearsal bench
        when left out.
    :param pass_fds: descriptors that it inherits.
    """

    def __init__(
        self,
        state_directory: Path,
        speed: float,
        words: tuple[str, ...] = (),
        environment: Mapping[str, str] | None = None,
        program: tuple[str, ...] = (),
        pass_fds: tuple[int, ...] = (),
    ) -> None:
        program = program or (
            "-m",
            "api.cli.command_line",
            "serve",
            "--rig",
            "rehearsal",
            "--speed",
            str(speed),
        )
        # ``close`` closes it.
        self._errors = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115
        self._child = subprocess.Popen(
            [
                sys.executable,
                *program,
                "--port",
                "0",
                "--state-directory",
                str(state_directory),
                *words,
            ],
            pass_fds=pass_fds,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            text=True,
            cwd=ROOT,
            env={**os.environ, **(environment or {})},
        )
        assert self._child.stdout is not None
        printed = (word for line in self._child.stdout for word in line.split())
        self.address = next((word for word in printed if word.startswith("http://127.0.0.1:")), "")
        assert self.address, self.errors()
        self.client = ApiClient(self.address, read_bench_token(state_directory))

    @property
    def pid(self) -> int:
        return self._child.pid

    def until(self, condition: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Follow the event stream until a status fulfils the condition."""
        with urlopen(f"{self.address}api/events", timeout=60) as stream:
            for line in stream:
                if line.startswith(b"data:"):
                    status: dict[str, Any] = json.loads(line[5:])
                    if "state" in status and condition(status):
                        return status
        raise AssertionError("the stream ended first")

    def running(self, charge_coulombs: float = 30.0) -> dict[str, Any]:
        """Start the plate; return the first status with more charge than that."""
        self.start()
        return self.until(
            lambda status: (
                status["state"] == "running" and status["charge_coulombs"] > charge_coulombs
            )
        )

    def start(self, **changes: Any) -> str:
        """Start the plate as soon as the logbook has been checked."""
        while True:
            self.until(lambda status: bool(status["logbook_ready"]))
            try:
                return str(self.client.post("/api/start", {**PLATE, **changes})["run_id"])
            except ApiRefusedError as error:
                if "logbook" not in str(error):
                    raise

    def end(self, number: signal.Signals) -> tuple[int, str, str]:
        """Send a signal; return exit status, output and errors. The process must end in time."""
        gone = os.pidfd_open(self._child.pid)
        try:
            self._child.send_signal(number)
            assert select.select([gone], [], [], LEAVES_WITHIN_S)[0], (
                f"still there {LEAVES_WITHIN_S} s after {number.name}"
            )
        finally:
            os.close(gone)
        return self.ended()

    def close_output(self) -> None:
        """Close the pipe that it writes its output to."""
        assert self._child.stdout is not None
        self._child.stdout.close()
        self._child.stdout = None

    def ended(self) -> tuple[int, str, str]:
        """Wait for the end; return exit status, output and errors."""
        out, _ = self._child.communicate()
        return self._child.returncode, out, self.errors()

    def errors(self) -> str:
        """Return what it has written to its standard error."""
        self._errors.seek(0)
        return self._errors.read()

    def close(self) -> None:
        self.kill()
        self._errors.close()

    def kill(self) -> None:
        if self._child.poll() is None:
            self._child.kill()
            self._child.communicate()


def unexpected(errors: str) -> list[str]:
    """Return the lines of a daemon's log that do not report a run, or that the clock is not set."""
    return [line for line in errors.splitlines() if not line.startswith(("Run ", "Clock not set"))]


@contextmanager
def serving(
    state_directory: Path,
    speed: float = 30.0,
    *words: str,
    environment: Mapping[str, str] | None = None,
) -> Iterator[Process]:
    """Serve; afterwards the process is gone."""
    process = Process(state_directory, speed, words, environment)
    try:
        yield process
    finally:
        process.close()
