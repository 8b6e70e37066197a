"""The person at the bench: repairs, acknowledges, resumes, starts again, or does nothing."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from controller.messages import RunState
from controller.safety.transitions import AT_WORK
from hardware.rehearsal.cell import Cell
from hardware.rehearsal.rig import RehearsalRig

if TYPE_CHECKING:
    from tests.proofs.campaign.world import World


class Person:
    """Acts some seconds after the bench has left its work.

    :param left_at_s: since when the bench is in a state in which nothing happens by itself, or
        None.
    """

    def __init__(self, world: World, rng: Random) -> None:
        self._world = world
        self.rng = rng
        self._rescues = world.scenario.rescues
        self.left_at_s: float | None = None
        self._acts_at_s = 0.0
        self._state: RunState | None = None
        self.is_content = False

    def look(self, now_s: float) -> None:
        """See what the bench does, and act when it is time."""
        world = self._world
        supervisor = world.supervisor
        if supervisor.state in AT_WORK or now_s < world.start_at_s + 0.5:
            self.left_at_s, self._state, self.is_content = None, None, False
            return
        if supervisor.state is not self._state:
            self._state, self.left_at_s = supervisor.state, now_s
            self._acts_at_s = now_s + self.rng.uniform(0.3, 6.0)
        if self.is_content or now_s < self._acts_at_s or world.pending:
            return
        self._acts_at_s = now_s + self.rng.uniform(0.5, 4.0)
        run = supervisor.run
        is_natural = supervisor.state is RunState.INTERRUPTED or (
            supervisor.state is RunState.PAUSED
            and run is not None
            and run.gauge_stop_mm is not None
        )
        if not is_natural:
            if self._rescues == 0:
                self.is_content = True
                return
            self._rescues -= 1
        self._act(supervisor.state)

    def _act(self, state: RunState) -> None:
        world, rng = self._world, self.rng
        if rng.random() < 0.8:
            mend(world.bench)
        if state in (RunState.PAUSED, RunState.INTERRUPTED):
            if rng.random() < 0.3:
                world.submit(rng.choice(("lifted", "left_in", "reading", "raise_ceilings")))
            world.submit("resume")
        elif state is RunState.TRIPPED:
            world.submit("acknowledge")
        elif state is RunState.IDLE or rng.random() < 0.5:
            world.submit("start")
        else:
            world.submit("acknowledge")


def mend(bench: RehearsalRig) -> None:
    """Put right everything that may be broken on the bench."""
    bench.truth()
    circuit, cell = bench._circuit, bench._cell
    bench._evolving.clear()
    circuit.lead_off, circuit.bridge_ohm = False, None
    supply, spec = circuit.supply, bench.spec
    supply.dead, supply.polarity, supply.raw = False, 1, False
    supply.internal_ohm, supply.ripple_fraction = spec.supply_internal_ohm, spec.ripple_fraction
    supply.turn_to(spec.supply_v, spec.supply_limit_a)
    bench._wire._fails = None
    if bench._chip._stuck:
        bench._chip._stuck = False
        bench._chip.power_on(bench._at_s)
    contact = circuit.contact
    if contact._welded:
        contact._welded = False
        contact.follow(bench._relay_on, bench._at_s)
        bench._reschedule()
    if isinstance(cell, Cell):
        cell.leak_mm2, cell.film_ohm_mm2, cell.heater_w, cell.active_fraction = 0.0, 0.0, 0.0, 1.0
        cell.lead_ohm, cell.limiting_a_per_dm2 = spec.lead_ohm, spec.limiting_a_per_dm2
