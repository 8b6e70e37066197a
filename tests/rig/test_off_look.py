"""The look at line and current after off, on a kernel and a chip of our own."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable, Iterator
from enum import Enum
from pathlib import Path
from typing import Any

import pytest

from controller.config import Settings, parse_settings
from controller.safety.checks import OFF_LOOK_S
from hardware import force_off, i2c, off_look
from hardware.clock import LockstepPacer, VirtualClock
from hardware.off_look import OffLook, look_at_current, look_at_line
from tests.kits.pi.fake_pi import RELAY, SECOND, FakePi

PIN = f"GPIO{RELAY}"


class Direction(Enum):
    AS_IS = 1


class Value(Enum):
    INACTIVE = 0
    ACTIVE = 1


class Lines(types.ModuleType):
    """The part of gpiod that looks at the lines of the fake kernel."""

    def __init__(self, pi: FakePi) -> None:
        super().__init__("gpiod")
        self._kernel = pi.kernel
        self.LineSettings = types.SimpleNamespace
        self.Chip = lambda _path: self
        self.asked: list[Any] = []
        self.error: OSError | None = None

    def __enter__(self) -> Lines:
        return self

    def __exit__(self, *_error: object) -> None:
        pass

    def get_line_info(self, line: int) -> Any:
        is_used = line in self._kernel.held_by_others
        return types.SimpleNamespace(used=is_used, consumer="borrower" if is_used else "")

    def request_lines(self, _path: str, config: dict[int, Any], consumer: str) -> Lines:
        if self.error is not None:
            raise self.error
        self.asked.append((config, consumer))
        return self

    def get_value(self, line: int) -> Value:
        return Value(self._kernel.gpio_read(70, line))


class Station:
    """A Pi in virtual time."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.clock = VirtualClock()
        self.pacer = LockstepPacer(self.clock)
        self.pi = FakePi(self.clock)
        self.pi.install(patch)
        self.levels = self.pi.kernel.level
        self.levels[RELAY], self.levels[SECOND] = 0, 1
        self.lines = Lines(self.pi)
        line = types.ModuleType("gpiod.line")
        line.Direction, line.Value = Direction, Value  # type: ignore[attr-defined]
        patch.setitem(sys.modules, "gpiod", self.lines)
        patch.setitem(sys.modules, "gpiod.line", line)
        patch.setattr(self.pi.kernel, "gpiochip_close", lambda _handle: None, raising=False)

    def look(self, settings: Settings | None = None) -> OffLook:
        return look_at_current(settings or Settings(), self.clock, self.pacer)


@pytest.fixture
def station(monkeypatch: pytest.MonkeyPatch) -> Iterator[Station]:
    yield Station(monkeypatch)
    for output in force_off._held_outputs:
        output.close()


def key_of(look: OffLook) -> str | None:
    return None if look.problem is None else look.problem.key


# --- the line ------------------------------------------------------------------------------------


def test_low_and_free(station: Station) -> None:
    """The look changes neither level nor direction."""
    assert look_at_line(PIN) is None
    ((config, consumer),) = station.lines.asked
    assert config[RELAY].direction is Direction.AS_IS
    assert consumer == "biteclock off"
    assert station.pi.kernel.calls == []


def test_line_held(station: Station) -> None:
    station.pi.kernel.held_by_others.add(RELAY)
    problem = look_at_line(PIN)
    assert problem is not None
    assert (problem.key, problem.values["holder"]) == ("hardware.off_look.held", "borrower")
    assert station.lines.asked == []


def test_line_high_again(station: Station) -> None:
    station.levels[RELAY] = 1
    problem = look_at_line(PIN)
    assert problem is not None
    assert problem.key == "hardware.off_look.high"


def test_line_not_read(station: Station) -> None:
    station.lines.error = OSError(1, "Operation not permitted")
    problem = look_at_line(PIN)
    assert problem is not None
    assert "Operation not permitted" in str(problem)


def test_force_off_names_the_holder(station: Station) -> None:
    station.pi.kernel.held_by_others.add(RELAY)
    status, text = force_off.run(["--pin", PIN])
    assert status == 1
    assert f'{PIN} is held by another process ("borrower")' in text
    assert "Pull the plug of the supply" in text


# --- the current ---------------------------------------------------------------------------------


def test_no_current(station: Station) -> None:
    """Three conversions of 70 ms and no more are waited for."""
    began_s = station.clock.monotonic_s()
    assert station.look() == OffLook(None)
    assert 0.2 < station.clock.monotonic_s() - began_s < 0.4


def test_current_flows(station: Station) -> None:
    """A welded contact: the look ends in time and states what flows."""
    station.pi.is_welded = True
    began_s = station.clock.monotonic_s()
    look = station.look()
    assert look.problem is not None
    assert look.problem.key == "hardware.off_look.current"
    assert look.problem.values["current_a"] == pytest.approx(3.0, rel=1e-3)
    assert station.clock.monotonic_s() - began_s < OFF_LOOK_S + 0.1


def test_current_dies_away(station: Station) -> None:
    """It may fall while somebody looks: three samples in a row decide."""
    station.pi.is_welded = True
    wait = station.pacer.wait_until
    until_s = station.clock.monotonic_s() + 1.0

    def weld_breaks(deadline_s: float) -> None:
        wait(deadline_s)
        if deadline_s > until_s:
            station.pi.catch_up(deadline_s)
            station.pi.is_welded = False

    station.pacer.wait_until = weld_breaks  # type: ignore[method-assign]
    assert station.look() == OffLook(None)
    assert station.clock.monotonic_s() > until_s + 0.15


@pytest.mark.parametrize(
    ("breaks", "key"),
    [
        (lambda wire: wire.break_off(), "hardware.sensor.absent"),
        (lambda wire: wire.stick(), "hardware.sensor.absent"),
    ],
)
def test_sensor_answers_nothing(station: Station, breaks: Callable[[Any], None], key: str) -> None:
    """A sensor that can be asked and does not answer has shown nothing."""
    breaks(station.pi.wire)
    assert key_of(station.look()) == key


@pytest.fixture
def buses(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A directory in the place of those in which the kernel shows its buses."""
    monkeypatch.setattr(i2c, "DEVICE", f"{tmp_path}/dev-{{number}}")
    monkeypatch.setattr(i2c, "ADAPTER", f"{tmp_path}/sys-{{number}}")
    return tmp_path


BUS_3 = parse_settings({"rig": {"i2c_bus": 3}})


@pytest.mark.usefixtures("buses")
def test_no_bus_to_ask(station: Station) -> None:
    """The pin alone decides then, and the caller learns why."""
    look = station.look(BUS_3)
    assert look.problem is None
    assert look.not_asked is not None
    assert look.not_asked.key == "hardware.bus.unopened"


@pytest.mark.parametrize("place", ["dev-3", "sys-3"])
def test_bus_not_opened(station: Station, buses: Path, place: str) -> None:
    """The bus is there, perhaps without its module: off was not seen."""
    (buses / place).touch()
    assert key_of(station.look(BUS_3)) == "hardware.bus.unopened"


@pytest.mark.usefixtures("buses")
@pytest.mark.parametrize(
    ("error", "key"),
    [
        (PermissionError(13, "Permission denied"), "hardware.bus.permission"),
        (ImportError("no such library"), "hardware.bus.library"),
        (NotImplementedError("no such board"), "hardware.bus.library"),
    ],
)
def test_bus_not_allowed(
    station: Station, monkeypatch: pytest.MonkeyPatch, error: Exception, key: str
) -> None:
    """A sensor may be there, and nobody could ask it: off was not seen."""

    def refuse(_number: int) -> None:
        raise error

    monkeypatch.setattr(sys.modules["adafruit_extended_bus"], "ExtendedI2C", refuse)
    assert key_of(station.look()) == key


def test_range_of_no_sensor(station: Station) -> None:
    settings = parse_settings({"rig": {"shunt_ohm": 0.5, "max_current_a": 10.0}})
    assert key_of(station.look(settings)) == "config.no_range"


def test_chip_without_conversions(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """It answers, and is never ready."""

    class Silent:
        def poll(self) -> None:
            return None

    monkeypatch.setattr(off_look, "open_sensor", lambda *_a: Silent())
    assert key_of(station.look()) == "hardware.off_look.no_sample"
