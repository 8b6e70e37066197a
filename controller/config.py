"""The bench's settings: frozen, read from TOML, unknown keys refused. Every default that guards metal or people says why."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from controller.errors import RefusedError
from controller.physics.faraday import METALS
from controller.ports import SensorSpec
from controller.sensors import SENSORS

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0.0, lt=1.0, allow_inf_nan=False)]
Pin = Annotated[str, Field(pattern=r"^GPIO([0-9]|1[0-9]|2[0-7])$")]
LowPin = Annotated[str, Field(pattern=r"^GPIO(9|1[0-9]|2[0-7])$")]
"""A pin that boots with a pull-down: GPIO 0 to 8 boot with a pull-up. Source: BCM2835 peripherals, table 6-31."""

HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$")]

UNDER_BUS_RANGE_V = 0.1
"""A voltage limit must be at least this far under the end of the sensor's voltage range, V."""

MOST_VOLTAGE_V = max(spec.bus_range_v for spec in SENSORS.values()) - UNDER_BUS_RANGE_V
"""Largest voltage limit with any sensor, V."""


class Section(BaseModel):
    """A table of the file: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, str_strip_whitespace=True)


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
        description="Largest current to be told apart, A: chooses the sensor's range. The resolution is the same on all.",
    )
    thermometer_id: str | None = Field(
        None,
        pattern=r"^28-[0-9a-f]{12}$",
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
            raise ValueError(f"{sensor} is no sensor known here, choose from {', '.join(SENSORS)}")
        return sensor

    @model_validator(mode="after")
    def _pins_differ(self) -> RigSettings:
        pins = [
            self.relay_pin, self.stop_button_pin, self.lamp_pin, self.buzzer_pin, self.dead_man_pin, self.second_output_pin
        ]  # fmt: skip
        twice = sorted({pin for pin in pins if pin is not None and pins.count(pin) > 1})
        if twice:
            raise ValueError(
                f"{', '.join(twice)} is given to more than one function: each needs a pin of its own"
            )
        return self


class LimitSettings(Section):
    """Guard limits. Times in s, currents as fractions of the planned current where they follow the run."""

    max_voltage_v: Positive = Field(
        6.0,
        le=MOST_VOLTAGE_V,
        description="Over-voltage limit at the cell, V: above the ripple's peak, below what the bath stands.",
    )
    over_current_fraction: float = Field(
        1.3,
        gt=1.0,
        le=3.0,
        description="Limit over the planned end current: the area grows on the way.",
    )
    short_circuit_v: Positive = Field(
        0.35,
        description="Cell voltage under which a flowing current means a short, V: a constant-current supply hides it.",
    )
    short_circuit_fraction: Fraction = Field(
        0.5, description="Share of the planned current that counts as flowing."
    )
    reverse_current_a: Positive = Field(
        0.05, le=1.0, description="Current against the etch that trips, A."
    )
    lost_contact_fraction: Fraction = Field(
        0.10, description="Below this share of the planned current contact is lost ..."
    )
    lost_contact_s: Positive = Field(1.0, le=30.0, description="... after this time.")
    weak_contact_fraction: Fraction = Field(
        0.60, description="Below this share of the planned current contact is weak ..."
    )
    weak_contact_s: Positive = Field(
        10.0, le=120.0, description="... and the run pauses after this time."
    )
    contact_grace_s: NotNegative = Field(
        20.0,
        le=120.0,
        description="Contact is not judged for this long after start: wetting, scum, supply turned up by hand.",
    )
    max_sample_age_s: float = Field(
        1.0,
        gt=0.0,
        le=5.0,
        description="Oldest good sample and largest gap: 1 s is 3 C, 0.4 um at common practice.",
    )
    max_zero_offset_v: Positive | None = Field(
        None,
        le=1e-3,
        description="Largest zero offset at the shunt, V, or none: what the sensor's data sheet "
        "permits. More is a fault, never nulled.",
    )
    off_voltage_v: Positive = Field(
        1.5,
        le=MOST_VOLTAGE_V,
        description="Cell voltage with the relay off that means a welded contact, V. A cell alone stays below 1 V.",
    )
    welded_after_s: Positive = Field(
        0.5, le=5.0, description="Time after off from which a current means a welded contact."
    )
    welded_a: Positive = Field(
        0.020,
        le=0.5,
        description="Current that counts as flowing after off, A, or 1 % of the plan if more.",
    )
    over_time_fraction: float = Field(
        1.5, gt=1.0, le=5.0, description="Ceiling on relay-on time over the planned time."
    )
    depth_of_thickness_fraction: Fraction = Field(
        0.5,
        description="Deepest place allowed, share of the sheet: deeper, thin places break through.",
    )
    edge_depth_factor: float = Field(
        1.3,
        ge=1.0,
        le=3.0,
        description="Deepest place over the mean depth until gauged: edges and small fields run deeper.",
    )
    trend_blind_s: float = Field(
        30.0,
        ge=10.0,
        le=600.0,
        description="Conductance is not judged for this long after start or resume, s: the cell settles.",
    )
    trend_patience_s: float = Field(
        20.0, ge=2.0, le=600.0, description="A trend warns after this time, s."
    )
    leak_step_fraction: float = Field(
        0.10,
        gt=0.03,
        le=1.0,
        description="Step of the conductance within 30 s that pauses, or six times the run's own scatter: a leak or a bridge.",
    )
    leak_drift_fraction: float = Field(
        0.08,
        gt=0.02,
        le=1.0,
        description="Conductance above what growth and warming explain that warns.",
    )
    resistance_rise_fraction: float = Field(
        0.10,
        gt=0.03,
        le=2.0,
        description="Rise of the resistance within 60 s that warns: stirring, film, contact.",
    )
    voltage_warn_fraction: float = Field(
        0.20,
        gt=0.05,
        le=1.0,
        description="Cell voltage over the run's own median of 60 to 120 s ago that warns.",
    )
    voltage_trip_fraction: float = Field(
        0.50,
        gt=0.1,
        le=2.0,
        description="Cell voltage over the run's own median of 60 to 120 s ago that trips over_voltage.",
    )
    bath_warn_degc: float = Field(
        35.0, ge=0.0, le=90.0, description="Bath temperature that warns, degC."
    )
    bath_off_degc: float = Field(
        45.0, ge=0.0, le=90.0, description="Bath temperature that trips, degC."
    )
    max_run_s: Positive = Field(
        4 * 3600.0, le=48 * 3600.0, description="Longest relay-on time of any run, s."
    )
    min_run_s: Positive = Field(
        10.0, description="The plan warns of runs shorter than this, s: the end comes out coarse."
    )

    @model_validator(mode="after")
    def _ordered(self) -> LimitSettings:
        if self.bath_warn_degc >= self.bath_off_degc:
            raise ValueError(
                f"bath_warn_degc {self.bath_warn_degc:g} must be below bath_off_degc {self.bath_off_degc:g}: warn first"
            )
        if self.voltage_warn_fraction >= self.voltage_trip_fraction:
            raise ValueError(
                f"voltage_warn_fraction {self.voltage_warn_fraction:g} must be below "
                f"voltage_trip_fraction {self.voltage_trip_fraction:g}: warn first"
            )
        if self.lost_contact_fraction >= self.weak_contact_fraction:
            raise ValueError(
                f"lost_contact_fraction {self.lost_contact_fraction:g} must be below "
                f"weak_contact_fraction {self.weak_contact_fraction:g}"
            )
        return self


class LoopSettings(Section):
    """Rates of the loop."""

    poll_s: float = Field(
        0.02,
        ge=0.005,
        le=0.1,
        description="Poll period, s: several polls for each conversion of the sensor.",
    )
    age_check_s: float = Field(
        0.05, ge=0.01, le=0.5, description="Period of the independent age watch, s."
    )
    offset_samples: int = Field(
        16, ge=4, le=200, description="Conversions averaged for the zero offset."
    )


class ServerSettings(Section):
    """Where the page and the API listen, and who may look. Control always needs pairing, Stop never."""

    listen: Literal["loopback", "studio-network"] = Field(
        "loopback",
        description="loopback: the Pi itself only; studio-network: the phones of the studio, too.",
    )
    port: int = Field(8420, ge=1024, le=65535)
    view_needs_pairing: bool = Field(
        False, description="Looking needs pairing, too, but on the Pi itself."
    )
    hosts: tuple[HostName, ...] = Field(
        (),
        strict=False,
        description="Further host names of the bench, beside its own, name.local and its addresses.",
    )


class LogbookSettings(Section):
    """Where the records are kept."""

    path: Path = Field(
        Path("biteclock.sqlite"),
        strict=False,
        description="The SQLite file; relative to the state directory.",
    )
    when_full: Literal["warn", "trip"] = Field(
        "warn", description="What a full or failing store does to a run."
    )


class MetalSettings(Section):
    """What the user knows better about a metal."""

    density_g_per_cm3: float | None = Field(
        None, gt=1.0, lt=25.0, description="Density of the user's own sheet."
    )
    etch_factor: float | None = Field(
        None, gt=0.2, lt=10.0, description="Depth over undercut per side."
    )


class Settings(Section):
    """The whole file."""

    rig: RigSettings = RigSettings()
    limits: LimitSettings = LimitSettings()
    loop: LoopSettings = LoopSettings()
    server: ServerSettings = ServerSettings()
    logbook: LogbookSettings = LogbookSettings()
    metals: dict[str, MetalSettings] = Field(default_factory=dict)

    @property
    def max_zero_offset_a(self) -> float:
        """Largest zero offset before a run, A: the limit's, else the data sheet's for the range.

        Raises: RefusedError when no range of the sensor holds ``rig.max_current_a``.
        """
        limit_v = self.limits.max_zero_offset_v
        if limit_v is None:
            limit_v = self.rig.spec.max_zero_offsets_v[self.rig.range_index]
        return limit_v / self.rig.shunt_ohm

    @field_validator("limits")
    @classmethod
    def _measurable(cls, limits: LimitSettings, info: ValidationInfo) -> LimitSettings:
        """Refuse a voltage limit that the sensor cannot see."""
        rig = info.data.get("rig")
        if not isinstance(rig, RigSettings):  # refused for a reason of its own
            return limits
        most_v = rig.spec.bus_range_v - UNDER_BUS_RANGE_V
        for name in ("max_voltage_v", "off_voltage_v"):
            value_v = getattr(limits, name)
            if value_v > most_v:
                raise ValueError(
                    f"{name} {value_v:g} V must be at most {most_v:g} V: the {rig.spec.chip} "
                    f"measures up to {rig.spec.bus_range_v:g} V"
                )
        return limits

    @field_validator("metals")
    @classmethod
    def _known(cls, metals: dict[str, MetalSettings]) -> dict[str, MetalSettings]:
        unknown = sorted(set(metals) - set(METALS))
        if unknown:
            raise ValueError(
                f"{', '.join(unknown)} is no metal known here, choose from {', '.join(METALS)}"
            )
        return metals


def parse_settings(table: dict[str, Any]) -> Settings:
    """Return the settings in a parsed TOML table.

    Raises: RefusedError that names every wrong key, its value and what is allowed.
    """
    try:
        return Settings.model_validate(table)
    except ValidationError as error:
        lines = [
            f"{'.'.join(str(part) for part in problem['loc']) or 'file'}: {problem['msg']} (given: {problem['input']!r})"
            for problem in error.errors(include_url=False)
        ]
        raise RefusedError(
            "the configuration cannot be used:\n  " + "\n  ".join(lines), field="config"
        ) from None


def load_settings(path: Path) -> Settings:
    """Return the settings in the TOML file at ``path``.

    Raises: RefusedError when it cannot be read, is no TOML, or has unknown or wrong keys.
    """
    try:
        with path.open("rb") as file:
            table = tomllib.load(file)
    except OSError as error:
        raise RefusedError(
            f"cannot read the configuration {path}: {error.strerror}", field="config"
        ) from error
    except (
        ValueError,
        RecursionError,
    ) as error:  # what tomllib raises: no TOML, no UTF-8, numbers of 5,000 digits, deep nesting
        raise RefusedError(f"{path} is no valid TOML: {error}", field="config") from error
    try:
        return parse_settings(table)
    except RecursionError as error:
        raise RefusedError(f"{path} is nested too deeply: {error}", field="config") from error
