"""The daemon on the rig of a real Pi, as a process in real time.

A signal turns the relay off in every state of the loop.
"""

from __future__ import annotations

import json
import os
import select
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.messages import OffRequest
from tests.kits.daemon_child import Process, unexpected
from tests.kits.pi.fake_pi import DEAD_MAN, RELAY, RIG

HANGS_AFTER_S = 30.0
"""A limit on hanging, not a speed."""


class PiProcess:
    """The daemon, the changes of its pins, and a way to make its bus block."""

    def __init__(self, directory: Path) -> None:
        events, reporting = os.pipe()
        heard, self._orders = os.pipe()
        self._events = os.fdopen(events, "rb", buffering=0)
        self._waiting = b""
        config = directory / "biteclock.toml"
        tables = {"rig": RIG, "limits": {"max_sample_age_s": 5.0}}
        config.write_text(
            "".join(
                f"[{name}]\n"
                + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
                for name, table in tables.items()
            )
        )
        self.seen: list[str] = []
        self.process = Process(
            directory, 1.0, ("--config", str(config)),
            program=("-m", "tests.kits.pi.fake_pi_child", str(reporting), str(heard), "serve"),
            pass_fds=(reporting, heard),
        )  # fmt: skip
        os.close(reporting)
        os.close(heard)

    def next_event(self) -> str:
        """Return the next change of a pin, or "stuck"."""
        while b"\n" not in self._waiting:
            ready, _, _ = select.select([self._events], [], [], HANGS_AFTER_S)
            assert ready, f"nothing for {HANGS_AFTER_S} s after {self.seen[-5:]}"
            some = self._events.read(4096)
            assert some, f"the process ended: {self.process.errors()}"
            self._waiting += some
        line, self._waiting = self._waiting.split(b"\n", 1)
        self.seen.append(line.decode())
        return self.seen[-1]

    def until(self, event: str) -> None:
        while self.next_event() != event:
            pass

    def stick(self) -> None:
        os.write(self._orders, b"s")
        self.until("stuck")

    def free(self) -> None:
        os.write(self._orders, b"f")

    def levels(self) -> dict[int, int]:
        """Return the last level that each pin was seen to change to."""
        return {
            int(pin): int(level)
            for pin, level in (event.split() for event in self.seen if event[0].isdigit())
        }

    def rest(self) -> None:
        """Read what else came until the end."""
        self._waiting += self._events.read()
        self.seen += self._waiting.decode().splitlines()

    def close(self) -> None:
        self.process.close()
        self._events.close()
        os.close(self._orders)


@pytest.fixture
def pi(tmp_path: Path) -> Iterator[PiProcess]:
    process = PiProcess(tmp_path)
    try:
        yield process
    finally:
        process.close()


def running(pi: PiProcess) -> None:
    """Start a run; wait for the relay and a dead-man pulse, which only a counted sample gives."""
    pi.process.start()
    pi.until(f"{RELAY} 1")
    while not pi.next_event().startswith(f"{DEAD_MAN} "):
        pass


@pytest.mark.parametrize(
    "number", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGUSR1, signal.SIGUSR2]
)
def test_a_signal_turns_off(pi: PiProcess, number: signal.Signals) -> None:
    """With the loop alive: off comes, and the daemon leaves in order.

    A closed ssh session sends SIGHUP.
    """
    running(pi)
    status, out, err = pi.process.end(number)
    pi.rest()
    assert (status, unexpected(err)) == (0, [])
    assert "the relay output reads off" in out
    assert pi.levels()[RELAY] == 0


def test_signal_cuts_stuck_bus(pi: PiProcess) -> None:
    """The loop's thread sleeps in the kernel and runs no handler.

    The beat reads the signal and turns off.


    The age watch would be next, 5 s after the last sample, with another reason.
    """
    running(pi)
    pi.stick()
    assert pi.levels()[RELAY] == 1
    os.kill(pi.process.pid, signal.SIGTERM)
    assert [pi.next_event(), pi.next_event()] == [
        f"revoke {OffRequest.SHUTDOWN.value}",
        f"{RELAY} 0",
    ]
    pi.free()
    status, out, err = pi.process.ended()
    assert (status, unexpected(err)) == (0, [])
    assert "the relay output reads off" in out
