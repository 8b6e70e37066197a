"""Draws one run of the campaign from a seed: plate, rig, settings, faults, people's acts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from api.main import Rehearsal, rehearsal_spec
from controller.config import Settings, parse_settings
from controller.errors import RefusedError
from controller.physics.faraday import METALS
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.sensors import INA219
from hardware.rehearsal.faults.by_name import FAULTS
from hardware.rehearsal.faults.kinds import Fault
from hardware.rehearsal.faults.slow import SLOW_FAULTS
from hardware.rehearsal.spec import RehearsalSpec
from hardware.rig import sensor_range_a

TURNED_UP = "too much current"
"""Somebody turns the supply up during a run. A row of the table, but no fault of the rig."""

NOT_DRAWN = frozenset({"thermometer_silent"})
"""Refuses every start where it is there from the start: tests/safety/test_silent_thermometer.py."""

NAMES = (*(name for name in FAULTS if name not in NOT_DRAWN), TURNED_UP)

STUDY = "study"
"""The kind of run for false alarms and slow faults: default limits, 150 to 480 s, no early end."""

SLOW = frozenset(SLOW_FAULTS) - {"plate_lifted"}

KINDS = {"quiet": 10, "single": 36, "pair": 18, "single-disturbed": 14, "storm": 12, "restart": 10}
"""Kinds of run and their shares. quiet: nothing goes wrong. storm: no fault, many disturbances and
commands. restart: the process ends in mid-run, by a signal or by a power cut, and comes back."""

BELIEVED_SIGMA = 3.29
"""99.9 % of a normal distribution lie within."""

MAX_RIPPLE_FRACTION = 0.48
"""Amplitude of the ripple over the mean of a full-wave rectifier without a smoothing capacitor.
Source: Fourier series of |sin|: 2/3 at twice the mains; a small choke or the bath's own inductance
leaves about half. Common practice, no source."""

MAX_CLOCK_ERROR = INA219.time_tolerance_fraction
"""The chip's conversion time, largest over typical."""


@dataclass(frozen=True)
class Deed:
    """Something that happens at a time after the first start, s."""

    at_s: float
    what: str
    size: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """One whole run.

    :param believed: the plate is as the plan has it, within 99.9 % of the prior.
    :param rescues: how often a person puts things right and goes on.
    """

    seed: int
    number: int
    kind: str
    settings: Settings
    request: PlanRequest
    plan: RunPlan
    spec: RehearsalSpec
    faults: tuple[Fault, ...]
    turned_up: tuple[tuple[float, float], ...]
    deeds: tuple[Deed, ...]
    rescues: int
    has_thermometer: bool
    default_limits: bool
    longest_s: float

    @property
    def fault_names(self) -> tuple[str, ...]:
        """The names of all its faults, sorted."""
        return tuple(
            sorted([fault.name for fault in self.faults] + [TURNED_UP] * len(self.turned_up))
        )

    def rng(self, purpose: str) -> Random:
        """Return a source of numbers for one purpose of this run."""
        return Random(f"campaign {self.seed} {self.number} {purpose}")


def draw(
    seed: int,
    number: int,
    kind: str | None = None,
    faults: tuple[str, ...] | None = None,
    must_be_default: bool = False,
) -> Scenario:
    """Return run ``number`` of the campaign with that seed; always the same one.

    :param kind: force the kind, or None.
    :param faults: force the faults by name, or None.
    :param must_be_default: only with the default limits.
    """
    rng = Random(f"campaign {seed} {number} draw")
    drawn_kind = rng.choices(list(KINDS), list(KINDS.values()))[0]
    kind = kind or drawn_kind
    count = {"single": 1, "pair": 2, "single-disturbed": 1, "restart": rng.choice((0, 0, 1))}.get(
        kind, 0
    )
    names = tuple(rng.choice(NAMES) for _ in range(count)) if faults is None else faults
    while True:  # a draw that no careful user would plan is drawn again
        found = _try(rng, seed, number, kind, names)
        if found is not None and (found.default_limits or not must_be_default):
            return found


def _try(rng: Random, seed: int, number: int, kind: str, names: tuple[str, ...]) -> Scenario | None:
    default_limits = rng.random() < 0.5 or kind == STUDY
    shunt_ohm, max_current_a = rng.choice(
        ((0.02, 10.0), (0.02, 10.0), (0.02, 4.0), (0.01, 10.0), (0.005, 16.0), (0.1, 3.2))
    )
    limits = {} if default_limits else _limits(rng)
    loop = (
        {} if default_limits or rng.random() < 0.8 else {"poll_s": rng.choice((0.01, 0.015, 0.03))}
    )
    rig = {"shunt_ohm": shunt_ohm, "max_current_a": max_current_a}
    when_full = "trip" if rng.random() < 0.3 else "warn"
    tables: dict[str, Any] = {
        "rig": rig,
        "limits": limits,
        "loop": loop,
        "logbook": {"when_full": when_full},
    }
    settings = parse_settings(tables)
    range_a = sensor_range_a(settings.rig)
    duration_s = (
        rng.uniform(80.0, 260.0)
        if SLOW & set(names) or rng.random() < 0.1
        else rng.uniform(8.0, 75.0)
    )
    request = _request(
        rng, duration_s, min(8.0, 0.5 * range_a / settings.limits.over_current_fraction)
    )
    if kind == STUDY:
        request = _studied(rng, request)
    try:
        plan = make_plan(request, settings, range_a)
    except RefusedError:
        return None
    spec = _spec(rng, plan, settings)
    peak_v = spec.make_cell().voltage_v(plan.end_current_a) * (1.0 + spec.ripple_fraction)
    if peak_v > 0.9 * settings.limits.max_voltage_v:
        if default_limits or peak_v > 11.0:
            return None
        tables["limits"] = {**limits, "max_voltage_v": min(15.5, peak_v * rng.uniform(1.2, 2.5))}
        settings = parse_settings(tables)
        plan = make_plan(request, settings, range_a)
    spec = _supply(rng, spec, plan)
    if spec is None:
        return None
    latest_s = max(1.0, plan.duration_s)
    turned_up = tuple(
        (_when(rng, latest_s), rng.uniform(1.05, 3.0)) for name in names if name == TURNED_UP
    )
    return Scenario(
        seed=seed,
        number=number,
        kind=kind,
        settings=settings,
        request=request,
        plan=plan,
        spec=spec,
        faults=tuple(
            Fault(name, 0.0 if rng.random() < 0.2 else _when(rng, latest_s))
            for name in names
            if name != TURNED_UP
        ),
        turned_up=turned_up,
        deeds=tuple(sorted(_deeds(rng, kind, latest_s), key=lambda deed: deed.at_s)),
        rescues=0
        if kind == STUDY or (kind in ("quiet", "single") and rng.random() < 0.8)
        else rng.randint(1, 4),
        has_thermometer=rng.random() < 0.7,
        default_limits=default_limits,
        longest_s=2.2 * latest_s + 120.0,
    )


def _when(rng: Random, latest_s: float) -> float:
    return (
        rng.uniform(0.05, min(20.0, latest_s))
        if rng.random() < 0.25
        else rng.uniform(0.05, 0.98 * latest_s)
    )


def _limits(rng: Random) -> dict[str, float]:
    """Return limits anywhere in what the configuration allows and a careful user would choose."""
    lost = rng.uniform(0.05, 0.3)
    bath_off_degc = rng.uniform(35.0, 60.0)
    return {
        "over_current_fraction": rng.uniform(1.12, 2.0),
        "short_circuit_v": rng.uniform(0.32, 0.5),
        "short_circuit_fraction": rng.uniform(0.2, 0.8),
        "reverse_current_a": rng.uniform(0.03, 0.3),
        "lost_contact_fraction": lost,
        "lost_contact_s": rng.uniform(0.3, 5.0),
        "weak_contact_fraction": rng.uniform(lost + 0.1, 0.7),
        "weak_contact_s": rng.uniform(2.0, 30.0),
        "contact_grace_s": rng.choice((0.5, rng.uniform(1.0, 60.0))),
        "max_sample_age_s": rng.uniform(0.4, 3.0),
        "over_time_fraction": rng.uniform(1.3, 3.0),
        "trend_blind_s": rng.uniform(10.0, 120.0),
        "leak_step_fraction": rng.uniform(0.08, 0.4),
        "voltage_trip_fraction": rng.uniform(0.4, 1.0),
        "bath_off_degc": bath_off_degc,
        "bath_warn_degc": bath_off_degc - rng.uniform(1.0, 15.0),
    }


def _request(rng: Random, duration_s: float, max_current_a: float) -> PlanRequest:
    metal = METALS[
        rng.choice(
            list(METALS) if rng.random() < 0.3 else ["fine-silver", "sterling-silver", "copper"]
        )
    ]
    current_a = math.exp(rng.uniform(math.log(0.25), math.log(max_current_a)))
    density_a_per_mm2 = math.exp(rng.uniform(math.log(5e-4), math.log(4.2e-3)))
    pieces, sides = rng.choice((1, 1, 1, 2, 4)), rng.choice((1, 1, 2))
    area_mm2 = current_a / density_a_per_mm2 / (pieces * sides)
    depth_mm = current_a * duration_s * metal.mm3_per_coulomb / (area_mm2 * pieces * sides)
    edge_mm = 0.0 if rng.random() < 0.2 else area_mm2 * rng.uniform(0.05, 3.0)
    thickness_mm = (
        None
        if rng.random() < 0.3
        else depth_mm * sides * rng.choice((rng.uniform(1.3, 2.2), rng.uniform(3.0, 8.0)))
    )
    stops = tuple(depth_mm * rng.uniform(0.2, 0.9) for _ in range(rng.choice((0, 0, 0, 1, 2))))
    return PlanRequest(
        metal.name,
        area_mm2,
        depth_mm=depth_mm,
        current_a=current_a,
        edge_mm=edge_mm,
        pieces=pieces,
        sides=sides,  # type: ignore[arg-type]
        thickness_mm=thickness_mm,
        supply_mode=rng.choice(("constant-current", "constant-voltage")),
        stop_policy="never-deeper" if rng.random() < 0.15 else "best-estimate",
        gauge_stops_mm=stops,
        piece=f"leaf {rng.randint(1, 99)}",
    )


def _studied(rng: Random, request: PlanRequest) -> PlanRequest:
    """Return the request with a depth that takes some minutes, for a sheet thick enough."""
    share = rng.uniform(150.0, 480.0) * (request.current_a or 0.0)
    area_mm2 = request.area_mm2 * request.pieces * request.sides
    depth_mm = share * METALS[request.metal].mm3_per_coulomb / area_mm2
    return replace(
        request,
        depth_mm=depth_mm,
        thickness_mm=None,
        gauge_stops_mm=(),
        stop_policy="best-estimate",
    )


def _spec(rng: Random, plan: RunPlan, settings: Settings) -> RehearsalSpec:
    """Return the true plate and rig, within 99.9 % of what the depth interval assumes."""
    metal, request = plan.metal, plan.request
    sds = (
        math.hypot(metal.bath_sd, metal.run_sd),
        request.area_uncertainty_fraction,
        settings.rig.shunt_tolerance_fraction,
    )
    while True:
        bite, area, shunt = (rng.gauss(0.0, sd) for sd in sds)
        if abs(bite - area - shunt) <= BELIEVED_SIGMA * math.hypot(*sds) and abs(shunt) < 0.05:
            break
    factors = [component.etch_factor for component in plan.belief.components]
    while True:
        etch_factor = metal.etch_factor * math.exp(rng.gauss(0.0, metal.etch_factor_sd))
        if factors[0] <= etch_factor <= factors[-1]:
            break
    rehearsal = Rehearsal(
        seed=rng.randrange(10**6),
        bite_factor=math.exp(bite),
        etch_factor=etch_factor,
        ripple_fraction=rng.choice((0.0, 0.03, rng.uniform(0.0, MAX_RIPPLE_FRACTION))),
        ripple_hz=rng.choice((100.0, 120.0)),
    )
    spec = rehearsal_spec(plan, rehearsal, settings)
    room_degc = rng.uniform(15.0, 27.0)
    return replace(
        spec,
        area_mm2=plan.total_area_mm2 * math.exp(area),
        shunt_ohm=settings.rig.shunt_ohm * math.exp(shunt),
        supply_internal_ohm=rng.uniform(0.02, 0.2),
        ramp_s=rng.choice((0.0, 0.0, rng.uniform(0.5, 10.0))),
        contact_ohm=rng.uniform(0.005, 0.03),
        contact_delay_s=rng.uniform(0.004, 0.015),
        lead_ohm=rng.uniform(0.01, 0.06),
        acid_fraction=rng.uniform(0.03, 0.05),
        gap_mm=rng.uniform(25.0, 80.0),
        cathode_area_mm2=max(6000.0, 4.0 * plan.total_area_mm2),
        rest_v=rng.uniform(0.1, 0.4),
        bath_volume_mm3=rng.uniform(0.4e6, 4e6),
        bath_degc=room_degc + rng.uniform(0.0, 5.0),
        room_degc=room_degc,
        chip_clock_error_fraction=rng.uniform(-MAX_CLOCK_ERROR, MAX_CLOCK_ERROR),
        chip_gain_error_fraction=rng.uniform(-0.001, 0.001),
        chip_noise_v=rng.uniform(2e-6, 20e-6),
    )


def _supply(rng: Random, spec: RehearsalSpec, plan: RunPlan) -> RehearsalSpec | None:
    """Return the bench with a supply that can give the planned current."""
    needed_v = spec.set_point_v(plan.current_a)
    if plan.request.supply_mode == "constant-voltage":
        return replace(spec, supply_v=needed_v, supply_limit_a=None)
    supply_v = needed_v * rng.uniform(1.15, 2.5)
    return replace(spec, supply_v=supply_v) if supply_v < 14.5 else None


COMMANDS = (
    "pause",
    "resume",
    "stop",
    "stop_button",
    "acknowledge",
    "start",
    "lifted",
    "left_in",
    "first_look_well",
    "first_look_bad",
    "reading",
    "raise_ceilings",
)


def _deeds(rng: Random, kind: str, latest_s: float) -> list[Deed]:
    """Return what disturbs and what people do, by the kind of run."""

    def at() -> float:
        return rng.uniform(0.0, 1.2 * latest_s + 5.0)

    deeds = []
    if kind in ("single-disturbed", "storm", "restart"):
        for _ in range(rng.randint(1, 5)):
            what = rng.choice(
                (
                    "jump_utc",
                    "late",
                    "late",
                    "late",
                    "stall",
                    "full",
                    "locked",
                    "flood",
                    "slow_follower",
                )
            )
            size = {
                "jump_utc": rng.choice((-1.0, 1.0)) * 10.0 ** rng.uniform(0.0, 8.0),
                "late": rng.choice((rng.uniform(0.1, 0.9), rng.uniform(0.1, 3.0))),
                "slow_follower": rng.uniform(0.005, 0.4),
            }.get(what, rng.uniform(0.5, 40.0))
            deeds.append(Deed(at(), what, size))
    if kind in ("single-disturbed", "storm"):
        deeds += [Deed(at(), rng.choice(COMMANDS)) for _ in range(rng.randint(0, 8))]
        deeds += [
            Deed(at(), rng.choice(("lifted", "pause", "resume", "acknowledge")))
            for _ in range(rng.randint(0, 4))
        ]
    if kind == "restart":
        deeds += [
            Deed(at(), rng.choice(("shutdown", "power_cut")), rng.uniform(0.5, 90.0))
            for _ in range(rng.randint(1, 3))
        ]
    return deeds
