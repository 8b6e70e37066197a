"""The relay's line in the GPIO simulator, and the way out of the guest. Standard library only."""

from __future__ import annotations

import glob
import json
import os
import re
import time
from typing import Any

RELAY_PIN = 17
REPORT = "/dev/hvc0"
BOOT_FILE = "/var/lib/bench/boot"


class Line:
    """Reads the level at the pin without claiming it."""

    def __init__(self, number: int = RELAY_PIN) -> None:
        (path,) = glob.glob(f"/sys/devices/platform/*/gpiochip*/sim_gpio{number}/value")
        self._value = os.open(path, os.O_RDONLY)
        self._holder = re.compile(rb"\(GPIO%d\s*\|([^)]*)\)\s+(in|out)\b" % number)

    def is_high(self) -> bool:
        """Return the level at the pin."""
        return os.pread(self._value, 8, 0).strip() == b"1"

    def holder(self) -> str | None:
        """Return who holds the line and its direction, such as ``lg out``; None if nobody does."""
        with open("/sys/kernel/debug/gpio", "rb") as stream:
            found = self._holder.search(stream.read())
        return None if found is None else f"{found[1].decode().strip()} {found[2].decode()}"


class Report:
    """Writes events as JSON lines, timed by the monotonic clock of the boot."""

    def __init__(self) -> None:
        self._out = os.open(REPORT, os.O_WRONLY | os.O_NOCTTY)
        self._boot = boot_number()

    def write(self, kind: str, at_s: float | None = None, **more: Any) -> None:
        """Write one event."""
        at_s = time.monotonic() if at_s is None else at_s
        line = json.dumps({"kind": kind, "boot": self._boot, "at_s": round(at_s, 4), **more})
        os.write(self._out, line.encode() + b"\n")


def boot_number() -> int:
    """Return which boot of the image this is, 1 for the first; the watcher counts."""
    try:
        with open(BOOT_FILE, encoding="ascii") as stream:
            return int(stream.read())
    except FileNotFoundError:
        return 0
