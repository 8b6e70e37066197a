"""A Pi whose pins and sensor several processes share: the daemon, ``off`` and force-off."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.kits.daemon_child import Process
from tests.paths import ROOT

LIBRARIES = ROOT / "tests" / "kits" / "pi" / "board"
"""Stand in for lgpio, gpiod and the I2C library."""

HOLD = """
import sys, lines
assert lines.claim(int(sys.argv[1]), "borrower")
lines.drive(int(sys.argv[1]), 1)
print("held", flush=True)
sys.stdin.read()
"""


@dataclass(frozen=True)
class Done:
    """How a command ended."""

    status: int
    said: str


class SharedBoard:
    """A board with a configuration.

    :param relay: line of the relay.
    """

    def __init__(self, directory: Path, relay: int = 22) -> None:
        self.relay = relay
        self._board = directory / "board"
        self._board.mkdir()
        self._state = directory / "state"
        self._state.mkdir()
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port: int = free.getsockname()[1]
        self.config = directory / "biteclock.toml"
        self.configure({"rig": {"relay_pin": f"GPIO{relay}"}, "server": {"port": self.port}})
        self.environment = {
            "FAKE_BOARD": str(self._board),
            "FAKE_RELAY": str(relay),
            "PYTHONPATH": os.pathsep.join((str(LIBRARIES), str(ROOT))),
            "BITECLOCK_CONFIG": str(self.config),
        }

    def configure(self, tables: dict[str, dict[str, Any]]) -> None:
        self.config.write_text(
            "".join(
                f"[{name}]\n" + "".join(f"{key} = {json.dumps(it)}\n" for key, it in table.items())
                for name, table in tables.items()
            )
        )

    @property
    def level(self) -> int:
        """The level of the relay's line."""
        return int((self._board / f"level{self.relay}").read_text())

    def left_high(self) -> None:
        """Leave the line high, as a killed process does."""
        (self._board / f"level{self.relay}").write_text("1")

    def fault(self, name: str) -> None:
        """Let something be wrong: welded, sensor_dead, no_bus."""
        (self._board / name).touch()

    @contextmanager
    def daemon(self, *, rig: str = "bench") -> Iterator[Process]:
        """Serve on the board."""
        process = Process(
            self._state,
            1.0,
            ("--port", str(self.port), "--rig", rig),
            environment=self.environment,
            program=("-m", "api.cli.command_line", "serve"),
        )
        try:
            yield process
        finally:
            process.close()

    @contextmanager
    def held(self) -> Iterator[None]:
        """Let another program hold the relay's line, high."""
        with subprocess.Popen(
            [sys.executable, "-c", HOLD, str(self.relay)],
            env={**os.environ, **self.environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as holder:
            assert holder.stdout is not None
            assert holder.stdout.readline() == "held\n"
            yield
            holder.communicate("")

    def call(self, *words: str) -> Done:
        """Call a command of biteclock on the board."""
        done = subprocess.run(
            [sys.executable, "-m", "api.cli.command_line", *words],
            cwd=ROOT,
            env={**os.environ, **self.environment},
            capture_output=True,
            text=True,
            check=False,
        )
        return Done(done.returncode, " ".join((done.stdout + done.stderr).split()))
