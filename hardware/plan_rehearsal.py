"""The rehearsal rig for a plan: its plate, its current, and the true values it etches with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from controller.artwork.planned import ArtworkFile
from controller.config import Settings
from controller.errors import RefusedError
from controller.messages import Snapshot
from controller.planning.run_plan import RunPlan
from controller.safety.outbox import Began, OutboxItem
from controller.units import not_negative
from hardware.rehearsal.faults.kinds import Fault
from hardware.rehearsal.front_table import FrontTable
from hardware.rehearsal.plate import artwork_table, measured_table
from hardware.rehearsal.spec import RehearsalSpec
from hardware.rig import Rig, build_rehearsal_rig

DEFAULT_EVENNESS = 0.3
"""True evenness with an artwork. A field of 12 by 21 mm then etches 11 % deeper at its long edge
than in its middle, 19 % at a corner, and a lone line of 0.25 mm 27 %. Shop figures for edges: 3 to
40 %, common practice, no published source."""


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The true values of a rehearsal, which the controller does not know.

    :param supply_v: compliance of the supply in constant current, set point in constant voltage.
        None: 5 V, or the set point that gives the planned current.
    :param seed: of noise, ripple phase, chip clock and offset.
    :param bite_factor: metal removed over Faraday's prediction.
    :param artwork: the file whose pixels are on the plate. None: what the plan knows of it.
    :param crowding: how much faster metal dissolves at the edge of the resist than on a wide
        floor; with ``artwork`` only.
    :param evenness: how far the local depth follows the current distribution of the bath, 0 uniform
        to 1 ohmic; with ``artwork`` only. None: DEFAULT_EVENNESS with an artwork.
    :param attack_um_per_min: chemical attack on all open metal, current or not, um/min.
    :param speed: virtual seconds per real second, or None for as fast as the machine can.
    :param real_transfers: see RehearsalSpec.
    """

    supply_v: float | None = None
    seed: int = 1
    faults: tuple[Fault, ...] = ()
    bite_factor: float = 1.0
    etch_factor: float | None = None
    ripple_fraction: float = 0.03
    ripple_hz: float = 100.0
    artwork: ArtworkFile | None = None
    crowding: float = 0.0
    evenness: float | None = None
    attack_um_per_min: float = 0.0
    speed: float | None = None
    real_transfers: bool = False

    def __post_init__(self) -> None:
        if self.crowding != 0.0 and self.artwork is None:
            raise RefusedError(
                "rehearsal.crowding_without_artwork", field="crowding", crowding=self.crowding
            )
        if self.evenness is not None and not 0.0 <= self.evenness <= 1.0:
            raise RefusedError("rehearsal.evenness", field="evenness", evenness=self.evenness)
        if self.evenness and self.artwork is None:
            raise RefusedError(
                "rehearsal.evenness_without_artwork", field="evenness", evenness=self.evenness
            )
        not_negative(self.attack_um_per_min, "attack_um_per_min", "um/min")


def rehearsal_spec(plan: RunPlan | None, rehearsal: Rehearsal, settings: Settings) -> RehearsalSpec:
    """Return the numbers of the rehearsal rig for a plan, or for no plan.

    Blocks for seconds when the rehearsal has an artwork.

    Raises: RefusedError, MeasureFailedError.
    """
    common = _common_values(rehearsal, settings)
    if plan is None:
        return RehearsalSpec(**common)
    request = plan.request
    copies = request.pieces * request.sides
    etch_factor = (
        plan.belief.best_etch_factor if rehearsal.etch_factor is None else rehearsal.etch_factor
    )
    is_constant_voltage = request.supply_mode == "constant-voltage"
    spec = RehearsalSpec(
        equivalent_g_per_mol=plan.metal.equivalent_weight_g_per_mol,
        density_g_per_cm3=plan.metal.density_g_per_cm3,
        area_mm2=plan.total_area_mm2,
        edge_mm=request.edge_mm * copies,
        fields=copies,
        etch_factor=etch_factor,
        front_table=_front_table(plan, rehearsal, etch_factor),
        supply_limit_a=None if is_constant_voltage else plan.current_a,
        **common,
    )
    if is_constant_voltage and rehearsal.supply_v is None:
        spec = replace(spec, supply_v=spec.set_point_v(plan.current_a))
    return spec


def rehearsal_rig(plan: RunPlan | None, rehearsal: Rehearsal, settings: Settings) -> Rig:
    """Return the rehearsal rig for a plan, or for no plan."""
    spec = rehearsal_spec(plan, rehearsal, settings)
    return build_rehearsal_rig(settings, spec, rehearsal.faults, rehearsal.speed)


class PlateHanger:
    """Hangs the plate of each new run into the rehearsal cell."""

    def __init__(self, rig: Rig, rehearsal: Rehearsal, settings: Settings) -> None:
        self._rig = rig
        self._rehearsal = rehearsal
        self._settings = settings

    def follow(self, _snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Change the plate when a run begins, before its relay turns on."""
        for item in outbox:
            if isinstance(item, Began) and self._rig.model is not None:
                self._rig.model.hang(rehearsal_spec(item.plan, self._rehearsal, self._settings))


def _common_values(rehearsal: Rehearsal, settings: Settings) -> dict[str, Any]:
    """Return the values that do not depend on a plan."""
    values: dict[str, Any] = {
        "bite_factor": rehearsal.bite_factor,
        "ripple_fraction": rehearsal.ripple_fraction,
        "ripple_hz": rehearsal.ripple_hz,
        "shunt_ohm": settings.rig.shunt_ohm,
        "relay_pin": settings.rig.relay_pin,
        "sensor": settings.rig.sensor,
        "i2c_address": settings.rig.i2c_address,
        "seed": rehearsal.seed,
        "attack_um_per_min": rehearsal.attack_um_per_min,
        "real_transfers": rehearsal.real_transfers,
    }
    if rehearsal.supply_v is not None:
        values["supply_v"] = rehearsal.supply_v
    return values


def _front_table(plan: RunPlan, rehearsal: Rehearsal, etch_factor: float) -> FrontTable | None:
    truth = {"etch_factor": etch_factor, "bite_factor": rehearsal.bite_factor}
    if rehearsal.artwork is None:
        return measured_table(plan, **truth)
    evenness = DEFAULT_EVENNESS if rehearsal.evenness is None else rehearsal.evenness
    return artwork_table(
        plan,
        rehearsal.artwork,
        crowding=rehearsal.crowding,
        evenness=evenness,
        **truth,
    )
