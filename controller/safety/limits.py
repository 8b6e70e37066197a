"""The limits of a run, and the rules that compare each sample with them.

``RULES`` declares each rule once, and guards.py applies them. The sentences for a rule are in
controller/texts/guards.toml, under its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum, auto
from operator import ge, gt, le, lt
from typing import TYPE_CHECKING

from controller.messages import Sample, TripReason
from controller.planning.run_plan import RunPlan

if TYPE_CHECKING:
    from controller.config import LimitSettings


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one run, fixed at its start. config.LimitSettings gives the reason for each."""

    max_voltage_v: float
    max_current_a: float
    reverse_current_a: float
    short_circuit_v: float
    short_circuit_a: float
    lost_contact_a: float
    lost_contact_s: float
    weak_contact_a: float
    weak_contact_s: float
    contact_grace_s: float
    open_circuit_s: float
    max_on_time_s: float
    max_charge_coulombs: float
    max_mean_depth_mm: float | None
    least_metal_mm: float | None
    bath_off_degc: float
    bath_silent_pause_s: float


def limits_for(plan: RunPlan, settings: LimitSettings) -> Limits:
    """Return the limits of a run."""
    return Limits(
        max_voltage_v=settings.max_voltage_v,
        max_current_a=plan.max_current_a,
        reverse_current_a=settings.reverse_current_a,
        short_circuit_v=settings.short_circuit_v,
        short_circuit_a=settings.short_circuit_fraction * plan.current_a,
        lost_contact_a=settings.lost_contact_fraction * plan.current_a,
        lost_contact_s=settings.lost_contact_s,
        weak_contact_a=settings.weak_contact_fraction * plan.current_a,
        weak_contact_s=settings.weak_contact_s,
        contact_grace_s=settings.contact_grace_s,
        open_circuit_s=settings.open_circuit_s,
        max_on_time_s=plan.max_on_time_s,
        max_charge_coulombs=plan.max_charge_coulombs,
        max_mean_depth_mm=plan.max_mean_depth_mm,
        least_metal_mm=plan.least_metal_mm,
        bath_off_degc=settings.bath_off_degc,
        bath_silent_pause_s=settings.bath_silent_pause_s,
    )


def raised(limits: Limits, charge_coulombs: float, max_run_s: float) -> Limits:
    """Return the limits with a charge ceiling of at least ``charge_coulombs``.

    The ceiling on relay-on time rises by the same share, up to ``max_run_s``. Neither falls.
    """
    charge_coulombs = max(limits.max_charge_coulombs, charge_coulombs)
    share = charge_coulombs / limits.max_charge_coulombs
    on_time_s = max(limits.max_on_time_s, min(limits.max_on_time_s * share, max_run_s))
    return replace(limits, max_charge_coulombs=charge_coulombs, max_on_time_s=on_time_s)


@dataclass(frozen=True, slots=True)
class RunFigures:
    """How far the run has come before this sample is counted.

    :param metal_left_mm: under the deepest place, at the best estimate of its depth; None where it
        is not known.
    :param stretch_s: time since the relay last turned on.
    :param bath_degc: bath temperature, or None without a thermometer.
    :param bath_silent_s: time without a reading of the thermometer, or None without one.
    """

    on_time_s: float
    stretch_s: float
    charge_coulombs: float
    depth_mm: float
    metal_left_mm: float | None = None
    bath_degc: float | None = None
    bath_silent_s: float | None = None


class Confirm(Enum):
    """How a broken limit is confirmed."""

    AT_ONCE = auto()
    """One sample."""

    TWO_SAMPLES = auto()
    """Two samples in a row."""

    NEIGHBOUR = auto()
    """One sample, when a sample beside it is near the limit or on the way to it."""

    LASTING = auto()
    """All samples for ``Rule.lasts_s``, once the contact's grace is over.

    ``Rule.has_grace`` is False where the grace does not count.
    """


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit that a sample or the run can break.

    :param setting: the field of config.LimitSettings that sets the limit, or None where the plan
        alone sets it.
    :param unit: unit of value and limit, one of messages.UNIT_SUFFIXES.
    :param value: returns the measured value, or None where nothing measures it.
    :param limit: returns the limit, or None where the run has none.
    :param is_broken: compares value and limit.
    :param applies: returns whether the rule applies to the sample.
    :param lasts_s: returns how long the limit must be broken, for ``Confirm.LASTING``.
    :param has_grace: for ``Confirm.LASTING``, the rule sleeps in the first seconds of a stretch.
    :param case: selects the sentence, where the reason has several.
    :param is_optional: value or limit may be missing: no thermometer, no thickness given. Anywhere
        else a missing one is a bug, and a bug trips.
    """

    reason: TripReason
    setting: str | None
    unit: str
    value: Callable[[Sample, RunFigures], float | None]
    limit: Callable[[Limits], float | None]
    is_broken: Callable[[float, float], bool]
    confirm: Confirm
    applies: Callable[[Limits, Sample], bool] = lambda _limits, _sample: True
    lasts_s: Callable[[Limits], float] = lambda _limits: 0.0
    case: str = "what"
    is_optional: bool = False
    has_grace: bool = True


RULES = (
    Rule(
        TripReason.LOST_CONTACT,
        setting="lost_contact_fraction",
        unit="A",
        value=lambda sample, _run: sample.current_a,
        limit=lambda limits: limits.lost_contact_a,
        is_broken=lt,
        confirm=Confirm.LASTING,
        lasts_s=lambda limits: limits.lost_contact_s,
    ),
    Rule(
        TripReason.LOST_CONTACT,
        setting="weak_contact_fraction",
        unit="A",
        value=lambda sample, _run: sample.current_a,
        limit=lambda limits: limits.weak_contact_a,
        is_broken=lt,
        confirm=Confirm.LASTING,
        lasts_s=lambda limits: limits.weak_contact_s,
        case="weak",
    ),
    Rule(
        TripReason.LOST_CONTACT,
        setting="max_voltage_v",
        unit="V",
        value=lambda sample, _run: sample.voltage_v,
        limit=lambda limits: limits.max_voltage_v,
        is_broken=gt,
        confirm=Confirm.LASTING,
        # A healthy start that is slow shows hardly any current too, but not at full voltage.
        applies=lambda limits, sample: sample.current_a < limits.lost_contact_a,
        lasts_s=lambda limits: limits.open_circuit_s,
        case="full_voltage",
        has_grace=False,
    ),
    Rule(
        TripReason.REVERSE_CURRENT,
        setting="reverse_current_a",
        unit="A",
        value=lambda sample, _run: sample.current_a,
        limit=lambda limits: -limits.reverse_current_a,
        is_broken=lt,
        confirm=Confirm.TWO_SAMPLES,
    ),
    Rule(
        TripReason.OVER_VOLTAGE,
        setting="max_voltage_v",
        unit="V",
        value=lambda sample, _run: sample.voltage_v,
        limit=lambda limits: limits.max_voltage_v,
        is_broken=gt,
        confirm=Confirm.TWO_SAMPLES,
        # An open circuit shows the supply's full voltage and harms nothing: lost contact.
        applies=lambda limits, sample: sample.current_a >= limits.lost_contact_a,
    ),
    Rule(
        TripReason.SHORT_CIRCUIT,
        setting="short_circuit_v",
        unit="V",
        value=lambda sample, _run: sample.voltage_v,
        limit=lambda limits: limits.short_circuit_v,
        is_broken=lt,
        confirm=Confirm.TWO_SAMPLES,
        applies=lambda limits, sample: sample.current_a >= limits.short_circuit_a,
    ),
    Rule(
        TripReason.OVER_CURRENT,
        setting="over_current_fraction",
        unit="A",
        value=lambda sample, _run: sample.current_a,
        limit=lambda limits: limits.max_current_a,
        is_broken=gt,
        confirm=Confirm.NEIGHBOUR,
    ),
    Rule(
        TripReason.OVER_TIME,
        setting="over_time_fraction",
        unit="s",
        value=lambda _sample, run: run.on_time_s,
        limit=lambda limits: limits.max_on_time_s,
        is_broken=ge,
        confirm=Confirm.AT_ONCE,
    ),
    Rule(
        TripReason.OVER_CHARGE,
        setting=None,
        unit="C",
        value=lambda _sample, run: run.charge_coulombs,
        limit=lambda limits: limits.max_charge_coulombs,
        is_broken=ge,
        confirm=Confirm.AT_ONCE,
    ),
    Rule(
        TripReason.DEPTH_LIMIT,
        setting="depth_of_thickness_fraction",
        unit="mm",
        value=lambda _sample, run: run.depth_mm,
        limit=lambda limits: limits.max_mean_depth_mm,
        is_broken=ge,
        confirm=Confirm.AT_ONCE,
        is_optional=True,
    ),
    Rule(
        TripReason.DEPTH_LIMIT,
        setting="depth_of_thickness_fraction",
        unit="mm",
        value=lambda _sample, run: run.metal_left_mm,
        limit=lambda limits: limits.least_metal_mm,
        is_broken=le,
        confirm=Confirm.AT_ONCE,
        case="metal_left",
        is_optional=True,
    ),
    Rule(
        TripReason.BATH_HOT,
        setting="bath_off_degc",
        unit="degC",
        value=lambda _sample, run: run.bath_degc,
        limit=lambda limits: limits.bath_off_degc,
        is_broken=ge,
        confirm=Confirm.AT_ONCE,
        is_optional=True,
    ),
    Rule(
        TripReason.THERMOMETER_SILENT,
        setting="bath_silent_pause_s",
        unit="s",
        value=lambda _sample, run: run.bath_silent_s,
        limit=lambda limits: limits.bath_silent_pause_s,
        is_broken=ge,
        confirm=Confirm.AT_ONCE,
        is_optional=True,
    ),
)
"""Every rule, in the order of judgement. When several are broken, the first gives the reason.

Lost contact comes before over-voltage: an open circuit shows the supply's full voltage. It pauses
the run within seconds, because the next film or drop of acid would turn it into over-voltage.
"""
