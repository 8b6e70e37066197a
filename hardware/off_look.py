"""Looks whether the rig is off, without a daemon: at the relay's line, then at the current."""

from __future__ import annotations

from dataclasses import dataclass

from gpiozero import Factory

from controller.config import Settings
from controller.errors import RefusedError, SensorError
from controller.ports import Clock, Pacer
from controller.safety.checks import OFF_LOOK_S, OFF_SAMPLES, OffWatch
from controller.texts import Message
from hardware.force_off import CHIPS, build_factory, holder_of
from hardware.i2c import has_bus, open_bus
from hardware.sensor_kinds import open_sensor


@dataclass(frozen=True, slots=True)
class OffLook:
    """What the look has shown.

    :param problem: why off was not seen, or None when it was.
    :param not_asked: why no sensor could be asked, or None when one was.
    """

    problem: Message | None
    not_asked: Message | None = None


def look_at_line(pin: str) -> Message | None:
    """Return why the line is not seen to be low and free, or None when it is."""
    try:
        factory = build_factory("lgpio")
        try:
            if (holder := holder_of(pin, factory)) is not None:
                return Message("hardware.off_look.held", {"pin": pin, "holder": holder})
            is_high = _is_high(pin, factory)
        finally:
            factory.close()
    except Exception as error:  # whatever the libraries raise, the line was not seen
        return Message("hardware.off_look.unread", {"pin": pin, "error": str(error)})
    return Message("hardware.off_look.high", {"pin": pin}) if is_high else None


def _is_high(pin: str, factory: Factory) -> bool:
    """Return the level of a line that nobody holds. Its direction stays as it is."""
    import gpiod
    from gpiod.line import Direction, Value

    line = int(pin.removeprefix("GPIO"))
    as_it_is = gpiod.LineSettings(direction=Direction.AS_IS)
    with gpiod.request_lines(
        CHIPS.format(number=factory.chip), config={line: as_it_is}, consumer="biteclock off"
    ) as request:
        return bool(request.get_value(line) is Value.ACTIVE)


def look_at_current(settings: Settings, clock: Clock, pacer: Pacer) -> OffLook:
    """Return whether three fresh samples in a row show neither current nor voltage.

    A machine without the bus has no sensor that could be asked. A bus that cannot be opened and a
    sensor that does not answer have shown nothing. Waits for ``OFF_LOOK_S`` at most, unless the
    bus is stuck.
    """
    try:
        bus = open_bus(settings.rig.i2c_bus)
    except SensorError as error:
        if has_bus(settings.rig.i2c_bus) or error.message.key != "hardware.bus.unopened":
            return OffLook(error.message)
        return OffLook(None, not_asked=error.message)
    now_s = clock.monotonic_s()
    until_s = now_s + OFF_LOOK_S
    clear, newest = 0, None
    try:
        watch = OffWatch(settings.limits, settings.max_zero_offset_a, 0.0, now_s)
        sensor = open_sensor(settings.rig, bus, clock)
        while clear < OFF_SAMPLES and clock.monotonic_s() < until_s:
            sample = sensor.poll()
            if sample is not None:
                newest = sample
                clear = clear + 1 if watch.is_clear(sample) else 0
            pacer.wait_until(clock.monotonic_s() + settings.loop.poll_s)
    except (SensorError, RefusedError) as error:
        return OffLook(error.message)
    if clear >= OFF_SAMPLES:
        return OffLook(None)
    if newest is None:
        return OffLook(Message("hardware.off_look.no_sample", {"within_s": OFF_LOOK_S}))
    values = {"current_a": newest.current_a, "voltage_v": newest.voltage_v}
    return OffLook(Message("hardware.off_look.current", values))
