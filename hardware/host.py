"""Checks the machine before a run.

Does a killed process leave the relay output driven? Is there room on the card?
"""

from __future__ import annotations

import ctypes
import os
import re
from collections.abc import Callable
from pathlib import Path

from controller.texts import Message

BOOT_CONFIGS = ("boot/firmware/config.txt", "boot/config.txt")
PERSIST = re.compile(r"\bpinctrl_(bcm2835|rp1)\.persist_gpio_outputs=n\b")
STRICT = re.compile(r"^\s*dtparam=strict_gpiod\b", re.MULTILINE)
FREE_WARNING_BYTES = 200_000_000
"""Free space under which a person is warned: about 1,400 hours of runs."""

SYNCHRONISED_MARK = "run/systemd/timesync/synchronized"
"""Touched at each synchronisation with network time, gone after a boot.

Source: systemd-timesyncd.service(8).
"""

TIMEX_BYTES = 512
"""More than the kernel's ``struct timex``, which has 208 bytes on 64-bit machines."""

TIME_ERROR = 5
"""What adjtimex(2) returns while no time service has synchronised the clock."""


def kernel_clock_state() -> int:
    """Return the state of the kernel's clock, or -1 when it cannot be asked. Changes nothing.

    Every time service tells the kernel: timesyncd, chrony and ntpd. Source: adjtimex(2).
    """
    try:
        ask = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return -1
    return int(ask(ctypes.create_string_buffer(TIMEX_BYTES)))  # modes = 0: read only


def is_clock_synchronised(
    root: Path = Path("/"), clock_state: Callable[[], int] = kernel_clock_state
) -> bool:
    """Return whether a time service has set the wall clock since the boot."""
    return (root / SYNCHRONISED_MARK).exists() or 0 <= clock_state() < TIME_ERROR


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
