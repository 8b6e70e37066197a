"""What the controller needs from the world, as small protocols.

hardware/ implements each of them twice: for the Pi and for the rehearsal rig.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeVar

from controller.errors import RefusedError
from controller.messages import OffRequest, Sample
from controller.units import positive

Result = TypeVar("Result")


class Calculate(Protocol):
    """Calls functions of modules with values, here or in another process, and waits for them."""

    def __call__(self, function: Callable[..., Result], *arguments: Any) -> Result:
        """Return what the function returns, or raise what it raises."""

    def pieces(
        self, function: Callable[..., Iterator[Result]], *arguments: Any
    ) -> Iterator[Result]:
        """Call the function now. Return what its iterator yields, made when it is asked for."""


class CalculateHere:
    """Calls the functions in this process."""

    def __call__(self, function: Callable[..., Result], *arguments: Any) -> Result:
        """Return what the function returns, or raise what it raises."""
        return function(*arguments)

    def pieces(
        self, function: Callable[..., Iterator[Result]], *arguments: Any
    ) -> Iterator[Result]:
        """Return the function's iterator."""
        return function(*arguments)


calculate_here = CalculateHere()


ENDING_SIGNALS: tuple[int, ...] = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGALRM,
    signal.SIGVTALRM,
    signal.SIGPROF,
    signal.SIGIO,
    signal.SIGPWR,
    signal.SIGSTKFLT,
    signal.SIGXCPU,
    signal.SIGTSTP,
    signal.SIGTTIN,
    signal.SIGTTOU,
    *range(signal.SIGRTMIN, signal.SIGRTMAX + 1),
)
"""Signals that end the daemon, off first. By default each would end the process with the relay on,
or stop it so, as Ctrl-Z does. Source: signal(7). SIGKILL and SIGSTOP reach no handler."""


class Clock(Protocol):
    """Time as values. Policy never sleeps."""

    def monotonic_s(self) -> float:
        """Return seconds that never jump, from an arbitrary origin that changes with the boot."""

    def utc_now(self) -> datetime:
        """Return the wall time, timezone-aware. It may jump: label with it, never subtract it."""

    def is_utc_set(self) -> bool:
        """Return whether the wall time was set since the boot, so that a time away can follow."""

    def boot_id(self) -> str:
        """Return the id of this boot. Monotonic times compare only under the same id."""


class Pacer(Protocol):
    """Waits for the loop."""

    def wait_until(self, deadline_s: float) -> None:
        """Return when the clock's monotonic time has reached ``deadline_s``."""


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """The part of a sensor's data sheet that code outside its driver needs.

    A conversion reads the shunt and the bus voltage. The sensors are in controller/sensors.py.

    :param chip: name in messages.
    :param shunt_ranges_v: full scale of the shunt voltage in each range, smallest first, V.
    :param max_zero_offsets_v: largest zero offset of a sound chip in each of these ranges, V.
    :param bus_range_v: full scale of the bus voltage, V.
    :param shunt_lsb_v: step of the shunt voltage, V; ``bus_lsb_v`` that of the bus voltage.
    :param averaged_s: typical times of an averaged conversion, one for each pace that the driver
        can set, shortest first, s.
    :param quick_s: typical time of a quick look, s.
    :param time_tolerance_fraction: how far the times of a chip may differ from the typical ones.
    :param saturated_fraction: share of the range from which a reading counts as saturated.
    :param power_on_config: content of the configuration register after power-on.
    """

    chip: str
    shunt_ranges_v: tuple[float, ...]
    max_zero_offsets_v: tuple[float, ...]
    bus_range_v: float
    shunt_lsb_v: float
    bus_lsb_v: float
    averaged_s: tuple[float, ...]
    quick_s: float
    time_tolerance_fraction: float
    saturated_fraction: float
    power_on_config: int

    def range_for(self, shunt_ohm: float, max_current_a: float) -> int:
        """Return the index of the smallest range that holds ``max_current_a``.

        Raises: RefusedError when none does.
        """
        full_v = positive(shunt_ohm, "shunt_ohm", "ohm") * positive(
            max_current_a, "max_current_a", "A"
        )
        for index, range_v in enumerate(self.shunt_ranges_v):
            if full_v <= range_v * (1.0 + 1e-9):
                return index
        largest_v = self.shunt_ranges_v[-1]
        raise RefusedError(
            "config.no_range",
            field="max_current_a",
            max_current_a=max_current_a,
            shunt_mv=full_v * 1e3,
            shunt_ohm=shunt_ohm,
            chip=self.chip,
            range_mv=largest_v * 1e3,
            limit_a=largest_v / shunt_ohm,
        )


class PowerSensor(Protocol):
    """Current and voltage of the cell, one conversion at a time."""

    @property
    def range_a(self) -> float:
        """Full scale of the current measurement, A."""

    def poll(self) -> Sample | None:
        """Return the newest conversion if it has not been returned before, else None.

        Raises: SensorError when it cannot be read, SensorResetError when the chip lost its
            configuration.
        """

    def look_again(self) -> None:
        """Ask for one quick conversion, which confirms a suspicious sample or not within a poll.

        Raises: SensorError.
        """


class RelayGate(Protocol):
    """The relay behind a lock and a latch."""

    def turn_on(self) -> None:
        """Turn the relay on. Raises: RelayRevokedError while a request for off is pending."""

    def turn_off(self) -> None:
        """Turn the relay off. Safe from any thread, at any time."""

    def reads_on(self) -> bool:
        """Return the level that the output reads back, True for energised."""


class OffLatch(Protocol):
    """The latch of the relay gate. A request for off is pending until the supervisor handles it."""

    def revoke(self, request: OffRequest) -> None:
        """Turn off and refuse ``turn_on`` until reinstated. The first request stays pending."""

    def standing_request(self) -> tuple[OffRequest, int] | None:
        """Return the pending request and the newest number, or None. A Stop precedes SHUTDOWN."""

    def newest_request(self) -> int:
        """Return the number of the newest request for off, pending or not."""

    def reinstate(self, number: int) -> None:
        """Clear the request with that number, but no newer one. SHUTDOWN stays."""


class Gate(RelayGate, OffLatch, Protocol):
    """Relay and latch together, as the supervisor holds them."""


class DeadMan(Protocol):
    """An output that must keep changing, or the timer in the coil supply drops the relay."""

    def pulse(self) -> None:
        """Change the level once. Called after each good fresh sample of a run, and only then."""


class StopButton(Protocol):
    """The stop button at the rig. A press is a request to the gate; this is its level."""

    def is_held(self) -> bool:
        """Return whether the button is down now."""


class Thermometer(Protocol):
    """Bath temperature."""

    def latest_degc(self) -> float | None:
        """Return the newest reading, degC, or None without a fresh one."""


class Beat(Protocol):
    """Calls a function at a fixed rate, independently of the loop."""

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        """Call ``callback(now_s)`` each ``period_s`` until the process ends."""
