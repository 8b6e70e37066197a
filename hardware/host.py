"""What is to be known of the machine before a run: does a dead process leave the relay driven, is there room on the card."""

from __future__ import annotations

import os
import re
from pathlib import Path

BOOT_CONFIGS = ("boot/firmware/config.txt", "boot/config.txt")
PERSIST = re.compile(r"\bpinctrl_(bcm2835|rp1)\.persist_gpio_outputs=n\b")
STRICT = re.compile(r"^\s*dtparam=strict_gpiod\b", re.MULTILINE)
FREE_WARNING_BYTES = 200_000_000
"""Room under which the card is told to be nearly full: about 1,400 hours of runs."""


def host_notes(state_directory: Path, root: Path = Path("/")) -> tuple[str, ...]:
    """Return what a person should know of this machine; empty when all is well.

    :param root: where boot configuration and kernel command line lie.
    """
    notes = []
    if not _releases_outputs(root):
        notes.append(
            "a process that is killed leaves the relay output driven: neither dtparam=strict_gpiod nor "
            "persist_gpio_outputs=n is set. Run the install script, then reboot"
        )
    disk = os.statvfs(state_directory)
    free_bytes = disk.f_bavail * disk.f_frsize
    if free_bytes < FREE_WARNING_BYTES:
        notes.append(
            f"{free_bytes / 1e6:.0f} MB are free for the logbook, {FREE_WARNING_BYTES / 1e6:.0f} MB are wanted: make room"
        )
    return tuple(notes)


def _releases_outputs(root: Path) -> bool:
    """Return whether the kernel turns a dead process' outputs into inputs.

    Stock Raspberry Pi kernels keep them driven. Source: raspberrypi/linux pull requests 6117 and 6150, overlays README.
    """
    texts = [_text(root / name) for name in BOOT_CONFIGS]
    return any(STRICT.search(text) for text in texts) or bool(
        PERSIST.search(_text(root / "proc/cmdline"))
    )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
