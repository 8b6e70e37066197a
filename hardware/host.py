"""Checks the machine before a run.

Does a killed process leave the relay output driven? Is there room on the card?
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from controller.texts import Message

BOOT_CONFIGS = ("boot/firmware/config.txt", "boot/config.txt")
PERSIST = re.compile(r"\bpinctrl_(bcm2835|rp1)\.persist_gpio_outputs=n\b")
STRICT = re.compile(r"^\s*dtparam=strict_gpiod\b", re.MULTILINE)
FREE_WARNING_BYTES = 200_000_000
"""Free space under which a person is warned: about 1,400 hours of runs."""


def host_notes(state_directory: Path, root: Path = Path("/")) -> tuple[Message, ...]:
    """Return what a person should know about this machine; empty when all is well.

    :param root: holds the boot configuration and the kernel's command line.
    """
    notes = []
    if not _releases_outputs(root):
        notes.append(Message("hardware.host.outputs_stay_driven"))
    disk = os.statvfs(state_directory)
    free_bytes = disk.f_bavail * disk.f_frsize
    if free_bytes < FREE_WARNING_BYTES:
        notes.append(
            Message(
                "hardware.host.disk_full",
                {"free_mb": free_bytes / 1e6, "wanted_mb": FREE_WARNING_BYTES / 1e6},
            )
        )
    return tuple(notes)


def _releases_outputs(root: Path) -> bool:
    """Return whether the kernel turns the outputs of a dead process into inputs.

    Stock Raspberry Pi kernels keep them driven. Source: raspberrypi/linux pull requests 6117 and
    6150, overlays README.
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
