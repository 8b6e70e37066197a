"""The daemon on the rehearsal bench in real time, with a watch on its passes: ``python -m
tests.proofs.benchmarks.serving DIRECTORY PORT``.

Each line on its standard input is answered by one of JSON: how late the loop woke since the last
line, ms.
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


class WatchedPacer:
    """The rig's pacer, which notes how long after the deadline each wait ended."""

    def __init__(self, pacer: LockstepPacer) -> None:
        self._pacer = pacer
        self._clock = SystemClock()
        self.late_s: list[float] = []

    def wait_until(self, deadline_s: float) -> None:
        self._pacer.wait_until(deadline_s)
        self.late_s.append(self._clock.monotonic_s() - self._pacer._real_deadline_s)


def main() -> None:
    directory, port = Path(sys.argv[1]), int(sys.argv[2])
    daemon = Daemon(Settings(), Rehearsal(speed=1.0), directory, port)
    loop: Any = daemon.assembly.loop
    pacer = loop._pacer = WatchedPacer(loop._pacer)

    def answer() -> None:
        for _ in sys.stdin:
            late_s, pacer.late_s = pacer.late_s, []
            counts = {
                f"p{percent}": percentile(late_s or [0.0], percent) * 1e3
                for percent in (50, 99, 100)
            }
            print(json.dumps({"passes": len(late_s), **counts}), flush=True)

    threading.Thread(target=answer, daemon=True).start()
    daemon.run()


if __name__ == "__main__":
    main()
