"""The command line on a fake Pi, as a process.

``python -m tests.kits.pi.fake_pi_child EVENTS ORDERS serve ...``

EVENTS and ORDERS are descriptors. Each change of a pin is written to EVENTS as a line "pin level",
each request for off as "revoke reason", and "stuck" when a bus transaction has begun to block. A
byte in ORDERS lets the next transaction of the loop's thread block until another byte comes.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from typing import Any

import pytest

from controller.messages import OffRequest
from hardware.clock import SystemClock
from hardware.relay import RelayGate
from tests.kits.pi.fake_pi import FakePi


class PassingClock(SystemClock):
    """Time passes by itself."""

    def advance(self, _seconds: float) -> float:
        return self.monotonic_s()


class StuckPi(FakePi):
    """Its bus can be made to block."""

    def __init__(self, events: int, orders: int) -> None:
        super().__init__(PassingClock())
        self._events, self._orders = events, orders
        self._gets_stuck = threading.Event()
        self._free = threading.Event()
        threading.Thread(target=self._obey, daemon=True).start()

    def catch_up(self, now_s: float) -> None:
        if self._gets_stuck.is_set() and threading.current_thread() is threading.main_thread():
            self._gets_stuck.clear()
            self._block()
        super().catch_up(now_s)

    def _block(self) -> None:
        """Wait as in a kernel's uninterruptible sleep: signal handlers run afterwards."""
        late: list[tuple[int, Any]] = []
        handler: Any = signal.signal(
            signal.SIGTERM, lambda number, frame: late.append((number, frame))
        )
        self._tell("stuck")
        self._free.wait()
        signal.signal(signal.SIGTERM, handler)
        for number, frame in late:
            handler(number, frame)

    def _obey(self) -> None:
        os.read(self._orders, 1)
        self._gets_stuck.set()
        os.read(self._orders, 1)
        self._free.set()

    def _pin_changes(self, line: int, level: int) -> None:
        super()._pin_changes(line, level)
        if self.kernel.level[line] != level:
            self._tell(f"{line} {level}")

    def install(self, patch: Any) -> None:
        """Install this Pi, and print each request for off before the gate obeys it."""
        super().install(patch)
        revoke = RelayGate.revoke

        def announced(gate: RelayGate, request: OffRequest) -> None:
            self._tell(f"revoke {request.value}")
            revoke(gate, request)

        patch.setattr(RelayGate, "revoke", announced)

    def _tell(self, text: str) -> None:
        os.write(self._events, f"{text}\n".encode())


def main() -> Any:
    events, orders, *arguments = sys.argv[1:]
    with pytest.MonkeyPatch.context() as patch:
        StuckPi(int(events), int(orders)).install(patch)
        from api.cli.command_line import main as command

        return command(arguments)


if __name__ == "__main__":
    main()
