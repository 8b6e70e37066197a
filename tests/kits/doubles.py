"""Doubles for the controller's tests: a scripted sensor on a virtual clock.

The gate and the clock are the real ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from controller.config import Settings, parse_settings
from controller.messages import RunState, Sample
from controller.physics.places import Place
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.safety.age_watch import AgeWatch, Freshness
from controller.safety.run import new_run
from controller.safety.supervisor import Supervisor
from controller.sensors import INA219
from hardware.clock import VirtualClock
from hardware.relay import RelayGate

CONVERSION_S = INA219.averaged_s[0]
POLL_S = 0.02


class RecordingPin:
    """An output pin that remembers its levels."""

    def __init__(self) -> None:
        self.value = 0
        self.levels: list[int] = []

    def on(self) -> None:
        self.value = 1
        self.levels.append(1)

    def off(self) -> None:
        self.value = 0
        self.levels.append(0)


@dataclass
class ScriptedSensor:
    """Gives averaged conversions; current and voltage are a function of (relay on, time)."""

    clock: VirtualClock
    gate: RelayGate
    reading: Callable[[float], tuple[float, float]]
    range_a: float = 16.0
    saturated: bool = False
    error: BaseException | None = None
    frozen: bool = False
    second_looks: int = 0
    _next_at_s: float = 0.0
    _quick: bool = field(default=False)

    def poll(self) -> Sample | None:
        if self.error is not None:
            raise self.error
        now_s = self.clock.monotonic_s()
        if self.frozen or now_s < self._next_at_s:
            return None
        self._next_at_s = now_s + CONVERSION_S
        current_a, voltage_v = self.reading(now_s) if self.gate.reads_on() else (0.001, 0.2)
        averaged, self._quick = not self._quick, False
        return Sample(now_s, current_a, voltage_v, self.saturated, averaged)

    def look_again(self) -> None:
        self.second_looks += 1
        self._quick = True
        self._next_at_s = self.clock.monotonic_s()


@dataclass
class Bench:
    """Supervisor, real gate, real age watch and virtual clock around a scripted sensor."""

    clock: VirtualClock
    pin: RecordingPin
    gate: RelayGate
    sensor: ScriptedSensor
    supervisor: Supervisor
    freshness: Freshness
    settings: Settings

    def tick(self, times: int = 1) -> None:
        for _ in range(times):
            self.supervisor.tick()
            self.clock.advance(POLL_S)

    def run_for(self, seconds: float) -> None:
        self.tick(round(seconds / POLL_S))

    def until(self, *states: RunState, within_s: float = 2000.0) -> None:
        deadline_s = self.clock.monotonic_s() + within_s
        while self.supervisor.state not in states:
            assert self.clock.monotonic_s() < deadline_s, (
                f"still {self.supervisor.state} after {within_s} s"
            )
            self.tick()

    def start(self, request: PlanRequest | None = None) -> RunPlan:
        plan = plan_for(request or silver_request(), self.settings, self.sensor.range_a)
        self.supervisor.start(new_run("r1", plan, self.settings.limits))
        return plan

    def running(self, request: PlanRequest | None = None, for_s: float = 0.0) -> RunPlan:
        plan = self.start(request)
        self.until(RunState.RUNNING, within_s=5.0)
        self.run_for(for_s)
        return plan


def plan_for(request: PlanRequest, settings: Settings, range_a: float) -> RunPlan:
    """Return the plan of a request, worked out once: a plan is a frozen value."""
    key = f"{request!r} {settings!r} {range_a}"
    if key not in _PLANS:
        _PLANS[key] = make_plan(request, settings, range_a)
    return _PLANS[key]


_PLANS: dict[str, RunPlan] = {}


def silver_request(**changes: object) -> PlanRequest:
    """A fine-silver plate as common practice has it: 7.67 cm2, 0.25 mm, 3 A, 1.2 mm sheet."""
    known: dict[str, object] = {
        "metal": "fine-silver",
        "area_mm2": 767.0,
        "depth_mm": 0.25,
        "current_a": 3.0,
        "thickness_mm": 1.2,
    }
    return PlanRequest(**{**known, **changes})  # type: ignore[arg-type]


PLACES = (
    Place(
        "widest-floor-middle",
        12.0,
        9.0,
        0.4,
        (1.0, 0.99, 0.98, 0.97, 0.94, 0.9, 0.85, 0.79, 0.7, 0.62, 0.5),
        12.0,
    ),
    Place(
        "lines-0.3-to-1-mm",
        31.0,
        9.0,
        0.2,
        (1.0, 1.01, 1.02, 1.04, 1.08, 1.15, 1.25, 1.4, 1.65, 1.95, 2.6),
        0.5,
    ),
    Place(
        "deepest-twentieth",
        30.0,
        2.0,
        0.05,
        (1.0, 1.01, 1.02, 1.05, 1.11, 1.2, 1.35, 1.55, 1.85, 2.3, 3.2),
    ),
)
"""A plate with a wide floor and fine lines, from an independent solution of its current."""


def make_bench(
    reading: Callable[[float], tuple[float, float]] | None = None, **tables: object
) -> Bench:
    """A bench with settings from keyword tables (limits={...})."""
    settings = parse_settings(dict(tables))
    clock = VirtualClock()
    pin = RecordingPin()
    gate = RelayGate(pin)
    sensor = ScriptedSensor(clock, gate, reading or (lambda _now_s: (3.001, 3.0)))
    freshness = Freshness(clock.monotonic_s())
    clock.every(
        settings.loop.age_check_s, AgeWatch(gate, freshness, settings.limits.max_sample_age_s).check
    )
    supervisor = Supervisor(
        clock=clock, sensor=sensor, gate=gate, freshness=freshness, settings=settings
    )
    return Bench(clock, pin, gate, sensor, supervisor, freshness, settings)
