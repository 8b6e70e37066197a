"""Watches the relay's line from early boot to the end of a shutdown and reports every change."""

from __future__ import annotations

import os
import time

from line import BOOT_FILE, Line, Report, boot_number

EVERY_S = 0.005
ALIVE_EVERY_S = 0.25


def main() -> None:
    """Count the boot, then watch until killed."""
    number = boot_number() + 1
    os.makedirs(os.path.dirname(BOOT_FILE), exist_ok=True)
    with open(BOOT_FILE, "w", encoding="ascii") as stream:
        stream.write(str(number))
    line, report = Line(), Report()
    last, alive_at_s = None, 0.0
    while True:
        at_s = time.monotonic()
        high = line.is_high()
        if high is not last:
            report.write("level", at_s, high=high, holder=line.holder())
            last = high
        if at_s - alive_at_s >= ALIVE_EVERY_S:
            report.write("watching", at_s, high=high, holder=line.holder())
            alive_at_s = at_s
        time.sleep(EVERY_S)


if __name__ == "__main__":
    main()
