"""Builds the rig, the hardware that the controller runs on: on a Pi, or as a rehearsal."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING, Any, Literal

from gpiozero import Button, DigitalOutputDevice

from controller.config import RigSettings, Settings
from controller.errors import RefusedError, SensorError
from controller.messages import OffRequest, Sample
from controller.ports import (
    ENDING_SIGNALS,
    Beat,
    Clock,
    DeadMan,
    Pacer,
    PowerSensor,
    StopButton,
    Thermometer,
)
from controller.safety.outbox import Follower
from hardware.clock import LockstepPacer, SystemClock, SystemPacer, ThreadBeat, VirtualClock
from hardware.force_off import fresh_directory
from hardware.i2c import open_bus
from hardware.panel import (
    DeadManPulse,
    SecondContactor,
    Signals,
    StopButtonLevel,
    stop_on_press,
)
from hardware.relay import RelayGate
from hardware.sensor_kinds import open_sensor
from hardware.thermometer import READ_EVERY_S, OneWireThermometer, thermometer_path

if TYPE_CHECKING:
    from hardware.rehearsal.faults.kinds import Fault
    from hardware.rehearsal.rig import RehearsalRig
    from hardware.rehearsal.spec import RehearsalSpec


@dataclass(frozen=True, slots=True)
class Rig:
    """The hardware, or its model.

    :param kind: "bench" for real hardware, "rehearsal" for the model.
    :param range_a: full scale of the current measurement, A.
    :param devices: gpiozero devices, which must live as long as the rig.
    :param model: the rehearsal rig, which knows the truth; None on real hardware.
    """

    kind: Literal["bench", "rehearsal"]
    clock: Clock
    pacer: Pacer
    beat: Beat
    gate: RelayGate
    sensor: PowerSensor
    range_a: float
    followers: tuple[Follower, ...]
    dead_man: DeadMan | None = None
    thermometer: Thermometer | None = None
    stop_button: StopButton | None = None
    devices: tuple[Any, ...] = field(default=(), repr=False)
    model: RehearsalRig | None = None


class PatientSensor:
    """A sensor that is opened at its first poll, and again after a failure.

    It may be plugged in while the daemon runs.
    """

    def __init__(self, open_sensor: Callable[[], PowerSensor], range_a: float) -> None:
        self._open_sensor = open_sensor
        self._sensor: PowerSensor | None = None
        self.range_a = range_a

    def poll(self) -> Sample | None:
        """Return the newest conversion, as PowerSensor does. Raises: SensorError."""
        if self._sensor is None:
            self._sensor = self._open_sensor()
        return self._sensor.poll()

    def look_again(self) -> None:
        """Ask for one quick conversion. Raises: SensorError."""
        if self._sensor is None:
            raise SensorError("hardware.sensor.unopened")
        self._sensor.look_again()


def sensor_range_a(rig: RigSettings) -> float:
    """Return the full scale of the current measurement, A.

    Raises: RefusedError when no range is large enough.
    """
    return rig.sensor_range_a


def build_pi_rig(settings: Settings, wakeup_fd: int) -> Rig:
    """Return the rig on a Raspberry Pi. The relay output is claimed first, low.

    :param wakeup_fd: read end of the descriptor that signals write to. The age watch reads it.
    Raises: RefusedError when there are no pins here or the relay's pin cannot be claimed.
    """
    clock = SystemClock()
    rig = settings.rig
    factory = _pi_pins()
    relay, gate = _relay(rig, factory)
    thermometer = None
    beat = ThreadBeat(clock, wakeup_fd, lambda number: revoke_on_signal(gate, number))
    if rig.thermometer_id is not None:
        thermometer = OneWireThermometer(thermometer_path(rig.thermometer_id), clock)
        ThreadBeat(clock).every(READ_EVERY_S, thermometer.read)
    dead_man, stop_button, followers, devices = _panel(rig, factory, gate)
    return Rig(
        kind="bench",
        clock=clock,
        pacer=SystemPacer(clock),
        beat=beat,
        gate=gate,
        sensor=_sensor(rig, lambda: open_bus(rig.i2c_bus), clock),
        range_a=sensor_range_a(rig),
        followers=followers,
        dead_man=dead_man,
        thermometer=thermometer,
        stop_button=stop_button,
        devices=(relay, *devices),
    )


def build_rehearsal_rig(
    settings: Settings,
    spec: RehearsalSpec,
    faults: Iterable[Fault] = (),
    speed: float | None = None,
) -> Rig:
    """Return the rehearsal rig: the same drivers, on an emulated chip and mock pins.

    Its time is virtual. The same seed gives the same run, digit by digit.

    :param speed: virtual seconds per real second, or None to go as fast as the machine can.
    """
    from hardware.rehearsal.rig import RehearsalRig

    random = Random(f"clock {spec.seed}")  # noqa: S311 not for secrets
    clock = VirtualClock(start_s=random.uniform(1e4, 2e5))
    model = RehearsalRig(spec, clock, faults)
    rig = settings.rig
    relay, gate = _relay(rig, model.pin_factory)
    dead_man, stop_button, followers, devices = _panel(rig, model.pin_factory, gate)
    return Rig(
        kind="rehearsal",
        clock=clock,
        pacer=LockstepPacer(clock, speed),
        beat=clock,
        gate=gate,
        sensor=_sensor(rig, lambda: model.bus, clock),
        range_a=sensor_range_a(rig),
        followers=followers,
        dead_man=dead_man,
        thermometer=RehearsalThermometer(model),
        stop_button=stop_button,
        devices=(relay, *devices),
        model=model,
    )


def revoke_on_signal(gate: RelayGate, number: int) -> None:
    """Turn the relay off for good when a signal ends the process.

    Any thread and any signal handler may call it.
    """
    if number in ENDING_SIGNALS:
        gate.revoke(OffRequest.SHUTDOWN)


class RehearsalThermometer:
    """The thermometer of the rehearsal bath."""

    def __init__(self, model: RehearsalRig) -> None:
        self._model = model

    def latest_degc(self) -> float | None:
        """Return the bath temperature in degC, or None when the thermometer is silent."""
        return self._model.measured_degc


def _pi_pins() -> Any:
    """Return the Pi's pin factory, and no other. Raises: RefusedError when there is none."""
    try:
        with fresh_directory():
            from gpiozero.pins.lgpio import LGPIOFactory

        return LGPIOFactory()
    except Exception as error:
        raise RefusedError("hardware.pins.absent", field="rig", error=str(error)) from error


def _sensor(rig: RigSettings, open_i2c: Callable[[], Any], clock: Clock) -> PatientSensor:
    """Return the sensor, which is opened at its first poll."""
    return PatientSensor(lambda: open_sensor(rig, open_i2c(), clock), rig.sensor_range_a)


def _relay(rig: RigSettings, factory: Any) -> tuple[DigitalOutputDevice, RelayGate]:
    try:
        output = DigitalOutputDevice(
            rig.relay_pin, active_high=True, initial_value=False, pin_factory=factory
        )
    except Exception as error:
        raise RefusedError(
            "hardware.pins.relay_taken", field="relay_pin", pin=rig.relay_pin, error=str(error)
        ) from error
    return output, RelayGate(output)


def _panel(
    rig: RigSettings, factory: Any, gate: RelayGate
) -> tuple[DeadMan | None, StopButton | None, tuple[Follower, ...], tuple[Any, ...]]:
    """Return the dead-man output, the stop button, the followers and all fitted devices."""

    def output(pin: str | None) -> DigitalOutputDevice | None:
        return (
            None
            if pin is None
            else DigitalOutputDevice(
                pin, active_high=True, initial_value=False, pin_factory=factory
            )
        )

    lamp, buzzer = output(rig.lamp_pin), output(rig.buzzer_pin)
    second, dead_man = output(rig.second_output_pin), output(rig.dead_man_pin)
    followers: list[Follower] = [Signals(lamp, buzzer)]
    if second is not None:
        followers.append(SecondContactor(second))
    button = None
    if rig.stop_button_pin is not None:
        button = Button(rig.stop_button_pin, pull_up=True, pin_factory=factory)
        button.when_pressed = stop_on_press(gate)
    return (
        (None if dead_man is None else DeadManPulse(dead_man)),
        (None if button is None else StopButtonLevel(button)),
        tuple(followers),
        (lamp, buzzer, second, dead_man, button),
    )
