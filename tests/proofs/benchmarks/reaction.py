"""Row 2: time from the voltage limit to the low relay pin, in conversions of the chip."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from random import Random

from api.main import Rehearsal, machine_board, rehearsal_spec, rig_range_a
from controller.assembly import assemble
from controller.config import Settings
from controller.messages import TripReason
from controller.planning.plan import make_plan
from controller.safety.run import new_run
from controller.sensors import INA219
from hardware.rehearsal.faults.kinds import Fault
from hardware.rig import Rig, build_rehearsal_rig
from tests.proofs.benchmarks.table import Line, Place, compared, percentile, single
from tests.proofs.benchmarks.tick import PLATE

CONVERSION_S = INA219.averaged_s[0]
"""Shunt averaged over 128 readings, bus once, typical.

Source: TI SBOS448, table of ADC settings.
"""

FAULT_S = (2.0, 4.0)
"""The supply loses its regulation between these times after on, s, at any phase of a conversion."""


def _is_past(rig: Rig, at_s: float) -> bool:
    return rig.clock.monotonic_s() >= at_s


def _is_off(rig: Rig) -> bool:
    return rig.model is not None and rig.model.truth().off_after_fault_s is not None


def over_voltage_to_off(quick: bool) -> list[Line]:
    settings = Settings()
    plan = make_plan(PLATE, settings, rig_range_a(settings))
    rng, pairs = Random(2), []
    for seed in range(60 if quick else 1000):
        clock_error, at_s = rng.uniform(-0.05, 0.05), rng.uniform(*FAULT_S)
        spec = replace(
            rehearsal_spec(
                plan, Rehearsal(seed=seed, ripple_fraction=rng.uniform(0.0, 0.1)), settings
            ),
            chip_clock_error_fraction=clock_error,
        )
        rig = build_rehearsal_rig(settings, spec, [Fault("supply_runaway", at_s)])
        assembly = assemble(rig, settings, board=machine_board(), new_run_id=lambda: "bench")
        begin_s = rig.clock.monotonic_s() + 0.5
        assembly.loop.run(partial(_is_past, rig, begin_s))
        assembly.supervisor.start(new_run("bench", plan, settings.limits))
        assembly.loop.run(partial(_is_off, rig))
        finding, bench = assembly.supervisor.finding, rig.model
        assert finding is not None
        assert finding.reason is TripReason.OVER_VOLTAGE, finding
        assert bench is not None
        off_s = bench.truth().off_after_fault_s
        assert off_s is not None
        pairs.append((off_s - spec.contact_delay_s, CONVERSION_S * (1.0 + clock_error)))
    ratios = [mine / theirs for mine, theirs in pairs]
    line = compared(
        2,
        "over-voltage in the cell to the pin low, median",
        pairs,
        "s",
        "one conversion of the chip",
    )
    most = Place(2.0, of_figure=True, unit="conversions")
    return [
        line,
        single(2, "the same, 99 % of the runs", [percentile(ratios, 99.0)], "conversions", most),
        single(2, "the same, worst", [max(ratios)], "conversions"),
    ]
