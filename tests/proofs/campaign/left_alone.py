"""For the study: what a slow fault would do unnoticed, and why a run missed it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from controller.config import LimitSettings
from controller.safety.conductance import LEAST_REFERENCE, RECENT
from controller.safety.trends import SAMPLES_PER_BLOCK
from controller.sensors import INA219
from hardware.rehearsal.circuit import Circuit, RelayContact
from hardware.rehearsal.faults.by_name import FAULTS
from hardware.rehearsal.faults.kinds import Parts
from tests.proofs.campaign.draw import Scenario
from tests.proofs.campaign.rows import reasons
from tests.proofs.campaign.table import binomial_interval

Outcome = dict[str, Any]

STEP_S = 0.25
"""Step of the bench left alone, s: with direct current only, nothing in it is quicker."""

MEAN_S = SAMPLES_PER_BLOCK * INA219.averaged_s[0]
"""Time of a mean, s."""

LIMITS = LimitSettings()

EARLY_S = LIMITS.trend_blind_s + LEAST_REFERENCE * MEAN_S
"""Before this there are no means to compare with, s."""

LATE_S = RECENT * MEAN_S
"""A fault that began later than this before the end is not yet in the newest means, s."""

SPOILT_SHARE = 0.10
"""A fault matters from this error of the depth, or attack beside it, over the target depth."""

SETTLED_S = 60.0
"""By then every supply has been turned up, s."""

WARMED_K = 5.0
"""Warming that matters, K: 7 % of the conductivity. Common practice, no source."""


def _bites(left: Outcome) -> bool:
    return bool(left["to_come"] >= SPOILT_SHARE)


def _resists(left: Outcome) -> bool:
    return bool(left["rise_ln"] >= math.log1p(LIMITS.resistance_rise_fraction))


MATTERS: dict[str, Callable[[Outcome], bool]] = {
    "resist_leak": _bites,
    "one_piece_off": lambda left: left["pieces"] > 1 and _bites(left),
    "dendrite_bridge": lambda left: left["short"] >= SPOILT_SHARE,
    "bath_warming": lambda left: left["warmed_k"] >= WARMED_K,
    "stirrer_stopped": _resists,
    "contact_corroding": _resists,
    "black_film": _resists,
}
"""When a slow fault left alone would matter by the end of the run, from what ``left_alone``
returns.

A leak, and one piece of several that hangs loose: when a tenth of the depth or more is still to
come, into bare metal beside the work, or past the loose piece. A bridge: when a tenth of the charge
or more misses the plate. Warming: 5 K. Stirring, contact and film take nothing off the depth in the
model: when the resistance ends a tenth higher or more. A lifted plate is always seen.
"""

CAUSES = ("from the start", "early", "too small", "late", "other")
"""Why a fault was neither cut nor warned of, the first that holds: there before the first mean;
begun before there are means to compare with; change of the conductance below the limit; run over
before it was in the newest means; a slope, scatter."""


def left_alone(scenario: Scenario) -> Outcome:
    """Return what the scenario's only fault does until the planned charge or the longest time.

    ``to_come``: share of the target depth etched after it began. ``short``: share of the charge
    that missed the plate. ``warmed_k``: warming since it began. ``rise_ln``: rise of ln(resistance)
    from its beginning to the end. ``crossed_s``: time from its beginning until the conductance,
    noise left out, is a limit away from where it was, s, or None.
    """
    spec, plan, fault = scenario.spec, scenario.plan, scenario.faults[0]
    cell, contact = spec.make_cell(), RelayContact(spec.contact_delay_s)
    contact.closed, contact.closed_at_s = True, 0.0
    circuit = Circuit(
        spec.make_supply(0.0), cell, contact, shunt_ohm=spec.shunt_ohm, contact_ohm=spec.contact_ohm
    )
    wire: Any = None  # no slow fault touches it
    parts, evolve = Parts(circuit, spec.make_chip(), wire), FAULTS[fault.name].evolve
    scale = spec.shunt_ohm / scenario.settings.rig.shunt_ohm * (1.0 + spec.chip_gain_error_fraction)
    limit_ln = math.log1p(LIMITS.leak_step_fraction)
    now_s = charge_coulombs = begun_mm = 0.0
    begun_ln = ln = _ln(circuit, SETTLED_S)
    begun_degc, crossed_s, has_begun = cell.bath_degc, None, False
    while charge_coulombs * scale < plan.charge_coulombs and now_s < plan.max_on_time_s:
        if now_s >= fault.at_s and evolve is not None:
            if not has_begun and now_s > spec.ramp_s:
                begun_ln = ln
            if not has_begun:
                begun_mm, begun_degc, has_begun = cell.front.depth_mm, cell.bath_degc, True
            evolve(parts, now_s - fault.at_s)
        point = circuit.operating_point(now_s + 0.5 * STEP_S)
        cell_coulombs = point.cell_a * STEP_S
        cell.advance(STEP_S, point.cell_a, cell_coulombs, point.cell_v * cell_coulombs)
        charge_coulombs += point.shunt_a * STEP_S
        now_s += STEP_S
        ln = _ln(circuit, now_s)
        if (
            has_begun
            and crossed_s is None
            and now_s > spec.ramp_s
            and abs(ln - begun_ln) > limit_ln
        ):
            crossed_s = now_s - fault.at_s
    return {
        "pieces": scenario.request.pieces,
        "to_come": (cell.front.depth_mm - begun_mm) / plan.target_depth_mm,
        "short": 1.0 - cell.charge_coulombs / charge_coulombs if charge_coulombs else 0.0,
        "warmed_k": cell.bath_degc - begun_degc,
        "rise_ln": begun_ln - ln,
        "crossed_s": crossed_s,
    }


def _ln(circuit: Circuit, now_s: float) -> float:
    """Return ln(conductance), as low as 1 uS where hardly any current flows."""
    point = circuit.operating_point(now_s)
    return math.log(max(1e-6, point.shunt_a / point.cell_v if point.cell_v > 0.0 else 0.0))


def matters(outcome: Outcome) -> bool:
    """Return whether the only fault of a run of the study would have mattered by its end."""
    name = outcome["faults"][0]
    return name in MATTERS and MATTERS[name](outcome["left_alone"])


def cause_of_miss(outcome: Outcome) -> str:
    """Return which of CAUSES explains that a run of the study did not notice its fault."""
    fault, crossed_s = outcome["off"][0], outcome["left_alone"]["crossed_s"]
    if fault["at_s"] == 0.0:
        return "from the start"
    if fault["at_s"] < EARLY_S:
        return "early"
    if crossed_s is None:
        return "too small"
    return "late" if fault["off_s"] - crossed_s < LATE_S else "other"


def is_off(outcome: Outcome) -> bool:
    """Return whether a run of the study was cut for one of its fault's own reasons."""
    return outcome["off"][0]["reason"] in reasons(outcome["faults"][0])


def misses_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return how many slow faults that matter were noticed, by fault and supply mode.

    For the others, it gives the reason.
    """
    lines = [
        "| fault | supply | runs | matter | off | off or warned, share, 95 % interval | "
        + " | ".join(CAUSES)
        + " |",
        "|---" * (6 + len(CAUSES)) + "|",
    ]
    for name in MATTERS:
        for mode in ("constant-current", "constant-voltage"):
            met = [o for o in outcomes if o["faults"] == [name] and o["mode"] == mode and o["off"]]
            lines += _misses_row(name, mode, met)
    return lines


def _misses_row(name: str, mode: str, met: Sequence[Outcome]) -> list[str]:
    serious = [outcome for outcome in met if matters(outcome)]
    if not serious:
        return (
            [f"| {name} | {mode} | {len(met)} | 0 | - | - |" + " - |" * len(CAUSES)] if met else []
        )
    missed = [o for o in serious if o["reason"] is None and not o["warnings"]]
    noticed = len(serious) - len(missed)
    low, high = binomial_interval(noticed, len(serious))
    share = (
        f"{noticed}, {100 * noticed / len(serious):.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
    )
    causes = Counter(map(cause_of_miss, missed))
    counts = " | ".join(str(causes[cause]) for cause in CAUSES)
    return [
        f"| {name} | {mode} | {len(met)} | {len(serious)} | {sum(map(is_off, serious))} | "
        f"{share} | {counts} |"
    ]
