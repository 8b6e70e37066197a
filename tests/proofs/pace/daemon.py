"""The daemon on the rehearsal rig, in real time, with transfers as long as real ones: ``python
-m tests.proofs.pace.daemon DIRECTORY PORT``.

Each line on its standard input is answered by one of JSON. ``passes``: the passes since the last
time. ``fault``: the supply turns to 12 V without a limit, and the answer says how long the relay
output stayed high, in real time.
"""

from __future__ import annotations

import json
import sys
import threading
from pathlib import Path
from typing import Any

from api.main import Daemon, Rehearsal
from controller.config import Settings
from hardware.clock import LockstepPacer, SystemClock
from tests.proofs.benchmarks.table import percentile


class TimedPacer:
    """The rig's pacer. It notes how long each pass took, and how late each wait ended."""

    def __init__(self, pacer: LockstepPacer) -> None:
        self._pacer = pacer
        self._clock = SystemClock()
        self._woke_at_s: float | None = None
        self.pass_s: list[float] = []
        self.late_s: list[float] = []

    def wait_until(self, deadline_s: float) -> None:
        now_s = self._clock.monotonic_s()
        if self._woke_at_s is not None:
            self.pass_s.append(now_s - self._woke_at_s)
        self._pacer.wait_until(deadline_s)
        self._woke_at_s = self._clock.monotonic_s()
        self.late_s.append(self._woke_at_s - self._pacer._real_deadline_s)


class Relay:
    """Notes when the relay output of the rehearsal rig goes low, in real time."""

    def __init__(self, model: Any) -> None:
        self._model = model
        self._clock = SystemClock()
        self._low = threading.Event()
        self._low_at_s = 0.0
        self._pin = model.pin_factory.pin(model.spec.relay_pin)
        self._follow = self._pin.watcher
        self._pin.watcher = self._changes

    def _changes(self, high: bool) -> None:
        self._follow(high)
        if not high:
            self._low_at_s = self._clock.monotonic_s()
            self._low.set()

    def off_after_fault_ms(self) -> float | None:
        """Turn the supply up. Return the time until the output is low; None: not within 5 s."""
        self._low.clear()
        model = self._model
        with model._lock:
            model._advance_to(model._clock.monotonic_s())
            model._circuit.supply.turn_to(12.0, None)
            model._reschedule()
            began_s = self._clock.monotonic_s()
        return (self._low_at_s - began_s) * 1e3 if self._low.wait(5.0) else None


def main() -> None:
    directory, port = Path(sys.argv[1]), int(sys.argv[2])
    rehearsal = Rehearsal(speed=1.0, real_transfers=True)
    daemon = Daemon(Settings(), rehearsal, directory, port)
    loop: Any = daemon.assembly.loop
    pacer = loop._pacer = TimedPacer(loop._pacer)
    relay = Relay(daemon.rig.model)

    def answer() -> None:
        for line in sys.stdin:
            if line == "fault\n":
                print(json.dumps({"off_ms": relay.off_after_fault_ms()}), flush=True)
                continue
            pass_s, late_s = pacer.pass_s, pacer.late_s
            pacer.pass_s, pacer.late_s = [], []
            figures = {
                f"{name}_p{percent}_ms": percentile(times or [0.0], percent) * 1e3
                for name, times in (("pass", pass_s), ("late", late_s))
                for percent in (50, 90, 99, 100)
            }
            print(json.dumps({"passes": len(pass_s), **figures}), flush=True)

    threading.Thread(target=answer, daemon=True).start()
    daemon.run()


if __name__ == "__main__":
    main()
