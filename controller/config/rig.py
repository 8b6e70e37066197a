"""What is wired to the Pi."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator, model_validator

from controller.config.section import Fraction, Positive, Section, refuse_all
from controller.errors import RefusedError
from controller.ports import SensorSpec
from controller.sensors import SENSORS
from controller.texts import Message

PIN_FORM = r"^GPIO([0-9]|1[0-9]|2[0-7])$"
LOW_PIN_FORM = r"^GPIO(9|1[0-9]|2[0-7])$"
"""A pin that boots with a pull-down: GPIO 0 to 8 boot with a pull-up. Source: BCM2835 peripherals,
table 6-31."""

THERMOMETER_FORM = r"^28-[0-9a-f]{12}$"

Pin = Annotated[str, Field(pattern=PIN_FORM)]
LowPin = Annotated[str, Field(pattern=LOW_PIN_FORM)]


class RigSettings(Section):
    """What is wired to the Pi."""

    relay_pin: LowPin = Field(
        "GPIO17", description="Relay driver, active high. GPIO 9 to 27 boot with a pull-down."
    )
    stop_button_pin: Pin | None = Field(None, description="Stop push-button to ground, or none.")
    lamp_pin: Pin | None = Field(None, description="Lamp, active high, or none.")
    buzzer_pin: Pin | None = Field(None, description="Buzzer, active high, or none.")
    dead_man_pin: Pin | None = Field(
        None, description="Pulse for a retriggerable timer in the coil supply, or none."
    )
    second_output_pin: LowPin | None = Field(
        None,
        description="Second contactor in series, opened when the relay is found welded, or none.",
    )
    i2c_bus: int = Field(1, ge=0, le=30, description="Number n of /dev/i2c-n.")
    sensor: str = Field("ina219", description="Sensor of current and voltage.")
    i2c_address: int = Field(0x40, ge=0x40, le=0x4F, description="Address of the sensor.")
    shunt_ohm: Positive = Field(
        0.02, description="Shunt, ohm. 0.02 ohm four-terminal recommended: 60 mV at 3 A."
    )
    shunt_tolerance_fraction: Fraction = Field(
        0.01, description="Tolerance of the shunt, part of the depth interval."
    )
    max_current_a: Positive = Field(
        10.0,
        description=(
            "Largest current that must be measured, A. It sets the sensor's range; the resolution "
            "is the same on all ranges."
        ),
    )
    thermometer_id: str | None = Field(
        None,
        pattern=THERMOMETER_FORM,
        description="One-wire thermometer in the bath, /sys/bus/w1/devices/<id>, or none.",
    )

    @property
    def spec(self) -> SensorSpec:
        """What the sensor's data sheet says."""
        return SENSORS[self.sensor]

    @property
    def range_index(self) -> int:
        """Index of the sensor's range. Raises: RefusedError when none holds ``max_current_a``."""
        return self.spec.range_for(self.shunt_ohm, self.max_current_a)

    @property
    def sensor_range_a(self) -> float:
        """Full scale of the current measurement, A. Raises: RefusedError, see ``range_index``."""
        return self.spec.shunt_ranges_v[self.range_index] / self.shunt_ohm

    @field_validator("sensor")
    @classmethod
    def _known(cls, sensor: str) -> str:
        if sensor not in SENSORS:
            raise RefusedError(
                "config.unknown_sensor", sensor=repr(sensor), known=", ".join(SENSORS)
            )
        return sensor

    @model_validator(mode="after")
    def _pins_differ(self) -> RigSettings:
        taken: dict[str, str] = {}
        problems = []
        for name in type(self).model_fields:
            pin = getattr(self, name) if name.endswith("_pin") else None
            if pin is None:
                continue
            if pin in taken:
                pins = {"pin": pin, "first": taken[pin], "second": name}
                problems.append(Message("config.pin_twice", pins))
            taken.setdefault(pin, name)
        refuse_all(problems)
        return self
