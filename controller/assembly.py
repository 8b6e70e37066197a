"""Assembles the controller around a rig, the same way for daemon, rehearsal and tests."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.config import Settings
from controller.ports import (
    Beat,
    Calculate,
    Clock,
    DeadMan,
    Gate,
    Pacer,
    PowerSensor,
    StopButton,
    Thermometer,
    calculate_here,
)
from controller.recording.baths import BathShelf
from controller.running.loop import Board, ControlLoop
from controller.running.service import BenchService
from controller.safety.age_watch import AgeWatch, Freshness
from controller.safety.outbox import Follower
from controller.safety.supervisor import Supervisor
from controller.texts import Message


class RigParts(Protocol):
    """What the controller needs of a rig."""

    @property
    def clock(self) -> Clock: ...  # noqa: D102
    @property
    def pacer(self) -> Pacer: ...  # noqa: D102
    @property
    def beat(self) -> Beat: ...  # noqa: D102
    @property
    def gate(self) -> Gate: ...  # noqa: D102
    @property
    def sensor(self) -> PowerSensor: ...  # noqa: D102
    @property
    def range_a(self) -> float: ...  # noqa: D102
    @property
    def followers(self) -> tuple[Follower, ...]: ...  # noqa: D102
    @property
    def dead_man(self) -> DeadMan | None: ...  # noqa: D102
    @property
    def thermometer(self) -> Thermometer | None: ...  # noqa: D102
    @property
    def stop_button(self) -> StopButton | None: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Assembly:
    """The controller around a rig."""

    supervisor: Supervisor
    loop: ControlLoop
    age_watch: AgeWatch
    service: BenchService


def assemble(
    rig: RigParts,
    settings: Settings,
    *,
    board: Board,
    followers: Sequence[Follower] = (),
    not_ready: Callable[[], Message | None] = lambda: None,
    new_run_id: Callable[[], str],
    shelf: BathShelf | None = None,
    calculate: Calculate = calculate_here,
) -> Assembly:
    """Return the controller. Its age watch runs beside the loop.

    :param board: where the loop publishes.
    :param followers: called after the rig's own.
    :param not_ready: returns why nothing may start yet, or None.
    :param calculate: calls what takes long, in another process where there is one.
    """
    freshness = Freshness(rig.clock.monotonic_s())
    age_watch = AgeWatch(rig.gate, freshness, settings.limits.max_sample_age_s)
    rig.beat.every(settings.loop.age_check_s, age_watch.check)
    supervisor = Supervisor(
        clock=rig.clock,
        sensor=rig.sensor,
        gate=rig.gate,
        freshness=freshness,
        settings=settings,
        dead_man=rig.dead_man,
        thermometer=rig.thermometer,
        stop_button=rig.stop_button,
    )
    loop = ControlLoop(
        supervisor=supervisor,
        gate=rig.gate,
        clock=rig.clock,
        pacer=rig.pacer,
        period_s=settings.loop.poll_s,
        board=board,
        followers=(*rig.followers, *followers),
        thermometer=rig.thermometer,
    )
    service = BenchService(
        loop=loop,
        supervisor=supervisor,
        gate=rig.gate,
        clock=rig.clock,
        settings=settings,
        sensor_range_a=rig.range_a,
        not_ready=not_ready,
        new_run_id=new_run_id,
        shelf=shelf,
        calculate=calculate,
    )
    return Assembly(supervisor, loop, age_watch, service)
