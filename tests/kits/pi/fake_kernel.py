"""A kernel for gpiozero's real lgpio factory: GPIO chips with lines that keep their level.

A line may also be stuck, or held by another program.
"""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from typing import Any

import pytest
from gpiozero.pins.local import LocalPiFactory

from hardware import force_off

PI_4B_REVISION = 0xC03111
PI_5_REVISION = 0xC04170
"""Source: gpiozero's table of new-style revision codes, 4B and 5B."""
LINES = range(28)
HANDLE = 70
"""Added to a chip's number: code that mistakes one for the other fails."""


class KernelError(Exception):
    """As lgpio.error: its text is what the library prints."""


class Chip:
    """The lines of one GPIO chip. They begin as high outputs, as a killed process leaves them."""

    def __init__(self) -> None:
        self.level = dict.fromkeys(LINES, 1)
        self.output = dict.fromkeys(LINES, True)
        self.pull_up = dict.fromkeys(LINES, False)
        self.held_by_others: set[int] = set()
        self.stuck_high: set[int] = set()
        self.callbacks: dict[int, Callable[[int, int, int, int], None]] = {}


class Callback:
    """What lgpio.callback returns."""

    def __init__(self, chip: Chip, line: int) -> None:
        self._chip, self._line = chip, line

    def cancel(self) -> None:
        self._chip.callbacks.pop(self._line, None)


class Kernel(types.ModuleType):
    """The calls of lgpio that gpiozero makes.

    Names, constants and the text of the busy error: lgpio 0.2.2.0. Levels and directions as the
    GPIO character device.

    :param header: number of the chip that the Pi's header is wired to; 0, and 4 on the first
        kernels of a Pi 5.
    :param chips: numbers of the chips that there are.
    """

    SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    error = KernelError

    def __init__(self, header: int = 0, chips: tuple[int, ...] = (0, 1, 4)) -> None:
        super().__init__("lgpio")
        self.chips = {number: Chip() for number in chips}
        self.header = self.chips.setdefault(header, Chip())
        self.chip_error: Exception | None = None
        self.opened: list[int] = []
        self.calls: list[tuple[object, ...]] = []
        self.before_change: Callable[[int, int], None] = lambda _line, _level: None
        """Called with line and new level before an output changes."""

    @property
    def level(self) -> dict[int, int]:
        """Levels of the header's lines."""
        return self.header.level

    @property
    def output(self) -> dict[int, bool]:
        """Whether the header's lines are outputs."""
        return self.header.output

    @property
    def held_by_others(self) -> set[int]:
        """Lines of the header that another process holds."""
        return self.header.held_by_others

    @property
    def stuck_high(self) -> set[int]:
        """Lines of the header that read high whatever drives them."""
        return self.header.stuck_high

    def untouched(self, number: int) -> bool:
        """Return whether a chip is as it was in the beginning."""
        return vars(self.chips[number]) == vars(Chip())

    def gpiochip_open(self, chip):
        if self.chip_error is not None:
            raise self.chip_error
        if chip not in self.chips:
            raise KernelError("can not open gpiochip")
        self.opened.append(chip)
        return HANDLE + chip

    def gpio_claim_input(self, handle, line, flags=0):
        chip = self._claim(handle, "input", line, flags)
        chip.output[line] = False
        chip.pull_up[line] = bool(flags & self.SET_PULL_UP)
        if chip.pull_up[line]:
            chip.level[line] = 1

    def gpio_claim_output(self, handle, line, level=0, flags=0):
        chip = self._claim(handle, "output", line, level)
        self._change(chip, line, level)
        chip.output[line] = True

    def gpio_claim_alert(self, handle, line, edges, flags=0):
        self._claim(handle, "alert", line, flags)

    def gpio_free(self, handle, line):
        self._chip(handle).output[line] = False

    def gpio_set_debounce_micros(self, handle, line, micros):
        self._chip(handle)

    def callback(self, handle, line, edge, function):
        chip = self._chip(handle)
        chip.callbacks[line] = function
        return Callback(chip, line)

    def gpio_write(self, handle, line, level):
        self.calls.append(("write", line, int(level)))
        self._change(self._chip(handle), line, int(level))

    def gpio_read(self, handle, line):
        chip = self._chip(handle)
        return 1 if line in chip.stuck_high else chip.level[line]

    def gpio_get_mode(self, handle, line):
        chip = self._chip(handle)
        return (2 if chip.output[line] else 0) | (32 if chip.pull_up[line] else 0)

    def drive_input(self, line: int, level: int, at_ns: int) -> None:
        """Change the level of an input on the header, at a time of the kernel's clock."""
        self.header.level[line] = level
        function = self.header.callbacks.get(line)
        if function is not None:
            function(0, line, level, at_ns)

    def _chip(self, handle: int) -> Chip:
        if handle - HANDLE not in self.chips:
            raise KernelError("unknown handle")
        return self.chips[handle - HANDLE]

    def _claim(self, handle: int, what: str, line: int, argument: int) -> Chip:
        chip = self._chip(handle)
        if line in chip.held_by_others:
            raise KernelError("GPIO busy")
        self.calls.append((what, line, argument))
        return chip

    def _change(self, chip: Chip, line: int, level: int) -> None:
        if chip is self.header:
            self.before_change(line, level)
        chip.level[line] = level


def install(kernel: Kernel, patch: Any, revision: int = PI_4B_REVISION) -> None:
    """Put the kernel under gpiozero, with nothing reserved or held from before.

    :param patch: a monkeypatch.
    """
    patch.setitem(sys.modules, "lgpio", kernel)
    patch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    del sys.modules["gpiozero.pins.lgpio"]  # loaded again now, and gone again after the test
    patch.setattr(LocalPiFactory, "_get_revision", lambda _self: revision)
    patch.setattr(LocalPiFactory, "pins", {})
    patch.setattr(LocalPiFactory, "_reservations", type(LocalPiFactory._reservations)(list))
    patch.setattr(force_off, "_held_outputs", [])


@pytest.fixture
def kernel(monkeypatch):
    kernel = Kernel()
    install(kernel, monkeypatch)
    yield kernel
    for output in force_off._held_outputs:
        output.close()
