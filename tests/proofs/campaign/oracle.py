"""Decides from the model's true values what must end a run, and when by the table of faults."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from controller.config import LimitSettings
from controller.safety.limits import Limits
from controller.safety.run import ActiveRun
from hardware.rehearsal.circuit import OperatingPoint
from tests.proofs.campaign.draw import Scenario
from tests.proofs.campaign.rows import POLL_S, SHIFTED_BY, worst_s

SURE_A = 0.006
SURE_V = 0.012
"""Largest error of a reading: two steps of the register, noise, remaining zero offset."""

AVERAGED_RIPPLE_FRACTION = 0.05
"""Share of the ripple at 100 Hz that the mean of one conversion may keep: |sin x / x| is 0.049 at
6.5 periods, of 6.1 to 9.
"""

HIGHER_OF_TWO_FRACTION = 0.04
"""By so much of the ripple the higher of two means in a row may fall short: |sin pi n cos pi p| /
pi n, n periods to a mean and p from one to the next, is 0.0385 at most with the looks at the bus of
conversion_pace.py and a clock within 10 %."""


def row_s(fault: str, scenario: Scenario) -> float:
    """Return the seconds to off in a fault's row, adjusted for settings that are no defaults."""
    default, limits = LimitSettings(), scenario.settings.limits
    shift_s = sum(
        getattr(limits, name) - getattr(default, name) for name in SHIFTED_BY.get(fault, ())
    )
    return worst_s(fault) + shift_s + 2.0 * max(0.0, scenario.settings.loop.poll_s - POLL_S)


@dataclass
class Oracle:
    """Follows each condition from the pass in which it is first true.

    :param since: onset of each condition and what had been late by then.
    """

    scenario: Scenario
    since: dict[str, tuple[float, float]] = field(default_factory=dict)
    ripple_fraction: float = 0.0

    def forget(self) -> None:
        """The relay is off: nothing is due."""
        self.since.clear()

    def overdue(
        self,
        now_s: float,
        late_s: float,
        run: ActiveRun,
        point: OperatingPoint,
        bath_degc: float | None,
        is_blind: bool,
    ) -> Iterator[str]:
        """Yield what should have ended the run by now.

        :param late_s: sum of all lateness of the loop up to now, s: a pass that did not happen
            cannot see anything.
        :param is_blind: the sensor cannot see: then only its own row counts.
        """
        for row, broken in self._conditions(now_s, run, point, bath_degc, is_blind):
            if not broken:
                self.since.pop(row, None)
                continue
            onset_s, late_before_s = self.since.setdefault(row, (now_s, late_s))
            allowed_s = row_s(row, self.scenario) + late_s - late_before_s
            if now_s - onset_s > allowed_s:
                yield (
                    f"{row}: still on {now_s - onset_s:.3f} s after it began, "
                    f"the table allows {allowed_s:.3f} s"
                )

    def _conditions(
        self,
        now_s: float,
        run: ActiveRun,
        point: OperatingPoint,
        bath_degc: float | None,
        is_blind: bool,
    ) -> Iterator[tuple[str, bool]]:
        limits, spec, settings = run.limits, self.scenario.spec, self.scenario.settings.limits
        scale = spec.shunt_ohm / self.scenario.settings.rig.shunt_ohm
        sure_a = SURE_A * 0.02 / self.scenario.settings.rig.shunt_ohm
        current_a = point.shunt_a * scale
        ripple = self.ripple_fraction
        ripple_v = abs(ripple * point.shunt_a * point.ripple_ohm)
        stretch_s = 0.0 if run.turned_on_at_s is None else now_s - run.turned_on_at_s
        sees = not is_blind
        flows = current_a >= limits.lost_contact_a + sure_a
        yield (
            "supply_runaway",
            sees and flows and point.cell_v - ripple_v > limits.max_voltage_v + SURE_V,
        )
        yield "too much current", sees and current_a > self.surely_over_a(limits)
        is_short = (
            point.cell_v + ripple_v < limits.short_circuit_v - SURE_V
            and current_a > limits.short_circuit_a + sure_a
        )
        yield "short_circuit", sees and is_short
        yield "polarity_reversed", sees and current_a < -limits.reverse_current_a - sure_a
        judged = stretch_s >= limits.contact_grace_s
        yield "lead_off", sees and judged and current_a < limits.lost_contact_a - sure_a
        each_sees = (
            0.99 - AVERAGED_RIPPLE_FRACTION * ripple
        )  # one mean over the limit starts the ten seconds again
        yield (
            "weak contact",
            sees and judged and current_a < limits.weak_contact_a * each_sees - sure_a,
        )
        yield "slow run", run.total_on_time_s(now_s) >= limits.max_on_time_s
        yield "low bite factor", sees and run.counter.charge_coulombs >= limits.max_charge_coulombs
        deep_mm = limits.max_mean_depth_mm
        yield "thin sheet", sees and deep_mm is not None and run.depth(now_s).best_mm >= deep_mm
        yield (
            "hot bath",
            sees and bath_degc is not None and bath_degc >= settings.bath_off_degc + 0.05,
        )
        yield "bus_stuck", is_blind

    def surely_over_a(self, limits: Limits) -> float:
        """Return the current from which one of two samples in a row is over the limit, A."""
        sure_a = SURE_A * 0.02 / self.scenario.settings.rig.shunt_ohm
        return limits.max_current_a * (1.0 + HIGHER_OF_TWO_FRACTION * self.ripple_fraction) + sure_a
