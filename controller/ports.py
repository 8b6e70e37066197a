"""What the controller needs from the world, as small protocols. hardware/ provides them, twice: Pi and rehearsal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from controller.errors import RefusedError
from controller.messages import OffRequest, Sample
from controller.units import positive


class Clock(Protocol):
    """Time as values. Policy never sleeps."""

    def monotonic_s(self) -> float:
        """Return seconds that never jump, from an arbitrary origin that changes with the boot."""

    def utc_now(self) -> datetime:
        """Return the wall time, timezone-aware. A label: it may jump and is never subtracted."""

    def is_utc_set(self) -> bool:
        """Return whether the wall time was set since the boot: only then it tells a time away."""

    def boot_id(self) -> str:
        """Return what names this boot: monotonic times compare only under the same id."""


class Pacer(Protocol):
    """Waits for the loop."""

    def wait_until(self, deadline_s: float) -> None:
        """Return when the clock's monotonic time has reached ``deadline_s``, or earlier after ``wake``."""

    def wake(self) -> None:
        """End the present wait now. Safe from any thread and from a signal handler."""


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """What a sensor's data sheet says, as far as anything outside its driver depends on it.

    A conversion reads the shunt and the bus voltage. The known ones are in controller/sensors.py.

    :param chip: name in messages.
    :param shunt_ranges_v: full scale of the shunt voltage in each range, smallest first, V.
    :param max_zero_offsets_v: largest zero offset of a sound chip in each of these ranges, V.
    :param bus_range_v: full scale of the bus voltage, V.
    :param shunt_lsb_v: step of the shunt voltage, V; ``bus_lsb_v`` that of the bus voltage.
    :param averaged_s: typical times of an averaged conversion, one for each pace that the driver
        can set, shortest first, s.
    :param quick_s: typical time of a quick look, s.
    :param time_tolerance_fraction: how far the times of one chip may be from the typical ones.
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

    @property
    def slowest_s(self) -> float:
        """Longest time that an averaged conversion may take, s."""
        return max(self.averaged_s) * (1.0 + self.time_tolerance_fraction)

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
        limit = f"{largest_v / shunt_ohm:.3g} A"
        raise RefusedError(
            f"max_current_a {max_current_a:g} A on shunt_ohm {shunt_ohm:g} ohm is "
            f"{full_v * 1e3:.0f} mV, the largest range of the {self.chip} is {largest_v * 1e3:.4g} mV: "
            f"at this shunt give at most {limit}, or fit a smaller shunt",
            field="max_current_a",
            limit=limit,
        )


class PowerSensor(Protocol):
    """Current and voltage of the cell, one conversion at a time."""

    @property
    def range_a(self) -> float:
        """Full scale of the current measurement, A."""

    def poll(self) -> Sample | None:
        """Return the newest conversion if it has not been returned before, else None.

        Raises: SensorError when it cannot be read, SensorResetError when the chip lost its configuration.
        """

    def look_again(self) -> None:
        """Ask for one quick conversion, so that a suspicious sample is confirmed or not within one poll.

        Raises: SensorError.
        """


class RelayGate(Protocol):
    """The relay behind a lock and a latch."""

    def turn_on(self) -> None:
        """Energise the relay. Raises: RelayRevokedError while a request for off stands."""

    def turn_off(self) -> None:
        """Release the relay. Anybody, any thread, any time."""

    def reads_on(self) -> bool:
        """Return the level that the output reads back, True for energised."""


class OffLatch(Protocol):
    """The latch of the relay gate: a request for off that stands until the supervisor has dealt with it."""

    def revoke(self, request: OffRequest) -> None:
        """Turn off and refuse ``turn_on`` from now on. The first request keeps its name."""

    def standing_request(self) -> tuple[OffRequest, int] | None:
        """Return the standing request and its number, or None."""

    def newest_request(self) -> int:
        """Return the number of the newest request for off, dealt with or not."""

    def reinstate(self, number: int) -> None:
        """Clear the request with that number; a newer one stays. Does nothing after SHUTDOWN."""


class Gate(RelayGate, OffLatch, Protocol):
    """Relay and latch together, as the supervisor holds them."""


class DeadMan(Protocol):
    """An output that must keep changing, or the timer in the coil supply drops the relay."""

    def pulse(self) -> None:
        """Change the level once. Called after each good fresh sample of a run and at no other time."""


class Thermometer(Protocol):
    """Bath temperature."""

    def latest_degc(self) -> float | None:
        """Return the newest reading in degC, or None when there is none that is recent enough."""


class Beat(Protocol):
    """Calls back at a fixed rate, independently of the loop."""

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        """Call ``callback(now_s)`` each ``period_s`` until the process ends."""
