"""Limits of the guards. Each default that guards metal or people has its reason."""

from __future__ import annotations

from pydantic import Field, model_validator

from controller.config.section import Fraction, NotNegative, Positive, Section, refuse_all
from controller.config.shown import with_unit
from controller.sensors import SENSORS
from controller.texts import Message

UNDER_BUS_RANGE_V = 0.1
"""A voltage limit must be at least this far under the end of the sensor's voltage range, V."""

MOST_VOLTAGE_V = max(spec.bus_range_v for spec in SENSORS.values()) - UNDER_BUS_RANGE_V
"""Largest voltage limit with any sensor, V."""

WARNS_BEFORE = (
    ("bath_warn_degc", "bath_off_degc"),
    ("bath_silent_warn_s", "bath_silent_pause_s"),
    ("voltage_warn_fraction", "voltage_trip_fraction"),
)
"""A limit that warns, and the one that trips, which must be higher."""


class LimitSettings(Section):
    """Limits of the guards.

    Times in s. Currents that follow the run are fractions of the planned current.
    """

    max_voltage_v: Positive = Field(
        6.0,
        le=MOST_VOLTAGE_V,
        description=(
            "Over-voltage limit at the cell, V: above the peak of the ripple, below what harms "
            "the bath."
        ),
    )
    over_current_fraction: float = Field(
        1.3,
        gt=1.0,
        le=3.0,
        description="Limit over the planned end current: the area grows on the way.",
    )
    short_circuit_v: Positive = Field(
        0.35,
        description=(
            "Cell voltage below which a flowing current means a short, V: a constant-current "
            "supply hides it."
        ),
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
        description=(
            "Time after start in which contact is not judged, s: wetting, scum, a supply turned "
            "up by hand."
        ),
    )
    open_circuit_s: Positive = Field(
        3.0,
        le=20.0,
        description=(
            "Time over max_voltage_v with hardly any current, from the start on, after which the "
            "run pauses, s: a film or a dry plate clears sooner, a soft supply shows less voltage."
        ),
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
        description=(
            "Largest zero offset at the shunt, V, or none for the limit of the sensor's data "
            "sheet. More is a fault."
        ),
    )
    off_voltage_v: Positive = Field(
        1.5,
        le=MOST_VOLTAGE_V,
        description=(
            "Cell voltage with the relay off that means a welded contact, V. A cell alone has "
            "less than 1 V."
        ),
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
        description=(
            "Greatest depth anywhere, as a share of the sheet: beyond it, thin places break "
            "through."
        ),
    )
    edge_depth_factor: float = Field(
        1.3,
        ge=1.0,
        le=3.0,
        description=(
            "Deepest place over the mean depth, where only an area is typed: edges and small "
            "fields run deeper."
        ),
    )
    trend_blind_s: float = Field(
        30.0,
        ge=10.0,
        le=600.0,
        description=(
            "Time after start or resume in which conductance is not judged, s: the cell settles."
        ),
    )
    trend_patience_s: float = Field(
        20.0, ge=2.0, le=600.0, description="A trend warns after this time, s."
    )
    leak_step_fraction: float = Field(
        0.10,
        gt=0.03,
        le=1.0,
        description=(
            "Step of the conductance within 30 s that pauses, or six times its scatter if more: a "
            "leak or a bridge."
        ),
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
        description="Rise of the cell voltage over its median of 60 to 120 s ago that warns.",
    )
    voltage_trip_fraction: float = Field(
        0.50,
        gt=0.1,
        le=2.0,
        description=(
            "Rise of the cell voltage over its median of 60 to 120 s ago that trips over_voltage."
        ),
    )
    bath_warn_degc: float = Field(
        35.0, ge=0.0, le=90.0, description="Bath temperature that warns, degC."
    )
    bath_off_degc: float = Field(
        45.0, ge=0.0, le=90.0, description="Bath temperature that trips, degC."
    )
    bath_silent_warn_s: Positive = Field(
        5.0,
        le=60.0,
        description=(
            "Time without a bath temperature that warns, s. The thermometer itself allows 10 s, "
            "which is five readings."
        ),
    )
    bath_silent_pause_s: Positive = Field(
        60.0,
        le=600.0,
        description=(
            "Time without a bath temperature that pauses, s: a heater of 120 W warms 1 L by 1.7 K "
            "in that time."
        ),
    )
    max_run_s: Positive = Field(
        4 * 3600.0, le=48 * 3600.0, description="Longest relay-on time of any run, s."
    )
    min_run_s: Positive = Field(
        10.0, description="The plan warns of shorter runs, s: the end comes out coarse."
    )

    @model_validator(mode="after")
    def _ordered(self) -> LimitSettings:
        problems = [
            Message(
                "config.warns_after_trip",
                {
                    "lower": f"limits.{lower}",
                    "upper": f"limits.{upper}",
                    "lower_value": with_unit(getattr(self, lower), lower),
                    "upper_value": with_unit(getattr(self, upper), upper),
                },
            )
            for lower, upper in WARNS_BEFORE
            if getattr(self, lower) >= getattr(self, upper)
        ]
        if self.lost_contact_fraction >= self.weak_contact_fraction:
            fractions = {
                "lost_fraction": self.lost_contact_fraction,
                "weak_fraction": self.weak_contact_fraction,
            }
            problems.append(Message("config.contact_order", fractions))
        refuse_all(problems)
        return self
