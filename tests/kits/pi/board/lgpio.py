"""lgpio on lines that are files, so that several processes share them as they share a kernel.

The directory in $FAKE_BOARD has a file for each line that was ever driven, with its level. A lock
on it is the claim: the kernel of this machine releases it when its process ends, and the level
stays, as on a stock Raspberry Pi kernel. Names and the text of the busy error: lgpio 0.2.2.0.
"""

from __future__ import annotations

import lines
from gpiozero.pins.local import LocalPiFactory

SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128
RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
PI_4B_REVISION = 0xC03111

LocalPiFactory._get_revision = lambda _self: PI_4B_REVISION

_is_output: dict[int, bool] = {}


class error(Exception):  # noqa: N801, N818 as the library calls it
    """As lgpio.error."""


def _claim(line: int, *, is_output: bool) -> None:
    if not lines.claim(line, "lg"):
        raise error("GPIO busy")
    _is_output[line] = is_output


def gpiochip_open(_chip: int) -> int:
    return 0


def gpiochip_close(_handle: int) -> None:
    pass


def gpio_claim_input(_handle: int, line: int, _flags: int = 0) -> None:
    _claim(line, is_output=False)


def gpio_claim_output(_handle: int, line: int, level: int = 0, _flags: int = 0) -> None:
    _claim(line, is_output=True)
    lines.drive(line, level)


def gpio_write(_handle: int, line: int, level: int) -> None:
    lines.drive(line, int(level))


def gpio_read(_handle: int, line: int) -> int:
    return lines.level(line)


def gpio_get_mode(_handle: int, line: int) -> int:
    return 2 if _is_output.get(line) else 0
