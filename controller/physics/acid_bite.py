"""The acid's own bite as a current that flows beside the supply's. Pure.

An attack of r on every bare surface removes as much metal as a current of

    i = r * A / k

with A the mean bare area on the way to the target depth and k the volume per coulomb. So the depth
is that of the counted charge plus i times the time in the acid, from the same table, and the loop
adds one product. The depth then grows by r * t, because A is V(d) / d.

Bite factor and attack are independent until something is learned. Their parts of the interval add
in squares, on each side for itself. What a reading has shown holds for both together: at the same
pace it is right whatever the share of the acid. Then only the time that differs from the pace
at which the reading was taken is uncertain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from controller.physics.attack import UPPER_SIGMA, AttackRate
from controller.physics.estimate import DepthEstimate, DepthTable
from controller.physics.readings import Reading
from controller.physics.relief import Growth, removed_volume_mm3

_UM_PER_MM = 1000.0
_S_PER_MIN = 60.0
_BISECTIONS = 50


@dataclass(frozen=True, slots=True)
class AcidBite:
    """The attack on the plate of one run.

    :param rate: of the attack.
    :param equivalent_a: current that removes as much as the median rate, A.
    :param taught_s_per_coulomb: pace of the earlier runs that the bite factor was learned from, in
        seconds in the acid per coulomb of both currents; 0 without any.
    :param read_s_per_coulomb: pace of this run's own readings, or None without any. They count
        instead of those of earlier runs.
    """

    rate: AttackRate
    equivalent_a: float
    taught_s_per_coulomb: float = 0.0
    read_s_per_coulomb: float | None = None

    @property
    def counts_off_time(self) -> bool:
        """Whether the time without current adds to the depth, and not to its upper bound only."""
        return self.rate.source == "coupon"

    def coulombs(self, acid_s: float) -> float:
        """Return the charge that would have removed as much as the acid in this time, C."""
        return self.equivalent_a * acid_s

    def most_coulombs(self, acid_s: float) -> float:
        """Return the same at the upper end of the rate, C."""
        return self.coulombs(acid_s) * self._share(UPPER_SIGMA)

    def estimate(
        self,
        table: DepthTable,
        charge_coulombs: float,
        acid_s: float,
        uncertain_coulombs: float = 0.0,
    ) -> DepthEstimate:
        """Return the depth after a counted charge and a time in the acid.

        :param uncertain_coulombs: may be missing from the charge; widens the upper bound only.
        """
        total = charge_coulombs + self.coulombs(acid_s)
        plain = table.at(total, uncertain_coulombs)
        beyond_s = acid_s - self._known_pace * total
        unsure = self.equivalent_a * abs(beyond_s)
        if unsure <= 0.0:
            return plain
        fast = unsure * (self._share(UPPER_SIGMA) - 1.0)
        slow = unsure * (1.0 - self._share(-UPPER_SIGMA))
        # With less time than at the known pace, a fast attack has been counted too often.
        more, less = (fast, slow) if beyond_s > 0.0 else (slow, fast)
        best_mm = plain.best_mm
        deeper_mm = table.at(total + more).best_mm - best_mm
        shallower_mm = best_mm - table.at(max(0.0, total - less)).best_mm
        return DepthEstimate(
            best_mm,
            max(0.0, best_mm - math.hypot(best_mm - plain.low_mm, shallower_mm)),
            best_mm + math.hypot(plain.high_mm - best_mm, deeper_mm),
        )

    def stop_charge(self, table: DepthTable, depth_mm: float, current_a: float) -> float:
        """Return the counted charge at which the best estimate reaches a depth, C.

        :param current_a: mean current, which sets the time in the acid.
        """
        total = table.charge_for_depth_coulombs(depth_mm)
        return total * current_a / (current_a + self.equivalent_a)

    def cautious_stop_charge(self, table: DepthTable, depth_mm: float, current_a: float) -> float:
        """Return the counted charge at which the upper bound reaches a depth, C."""
        low, high = 0.0, self.stop_charge(table, depth_mm, current_a)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            if self.estimate(table, middle, middle / current_a).high_mm < depth_mm:
                low = middle
            else:
                high = middle
        return low

    def with_acid(self, reading: Reading, acid_s_per_coulomb: float) -> Reading:
        """Return a reading with the acid's equivalent charge added to the counted one.

        :param acid_s_per_coulomb: time in the acid per coulomb counted.
        """
        factor = 1.0 + self.equivalent_a * acid_s_per_coulomb
        return replace(reading, charge_coulombs=reading.charge_coulombs * factor)

    def after_readings(self, acid_s_per_coulomb: float | None) -> AcidBite:
        """Return the bite once the run's readings were learned.

        :param acid_s_per_coulomb: their pace, in seconds per coulomb counted; None without any.
        """
        if acid_s_per_coulomb is None:
            return replace(self, read_s_per_coulomb=None)
        total = 1.0 + self.equivalent_a * acid_s_per_coulomb
        return replace(self, read_s_per_coulomb=acid_s_per_coulomb / total)

    @property
    def _known_pace(self) -> float:
        read = self.read_s_per_coulomb
        return self.taught_s_per_coulomb if read is None else read

    def _share(self, sigma: float) -> float:
        return math.exp(sigma * self.rate.sd_ln)


NO_BITE = AcidBite(AttackRate(0.0, 0.0), 0.0)
"""For plans of versions that did not know of the attack."""


def acid_bite(
    rate: AttackRate,
    growth: Growth,
    etch_factor: float,
    depth_mm: float,
    mm3_per_coulomb: float,
    taught_s_mm2_per_coulomb: float = 0.0,
) -> AcidBite:
    """Return the attack on a plate on its way to a depth.

    :param mm3_per_coulomb: volume removed per coulomb at bite factor 1.
    :param taught_s_mm2_per_coulomb: pace of earlier runs, times their open area.
    """
    mean_area_mm2 = removed_volume_mm3(depth_mm, growth, etch_factor) / depth_mm
    mm_per_s = rate.um_per_min / _UM_PER_MM / _S_PER_MIN
    equivalent_a = mm_per_s * mean_area_mm2 / mm3_per_coulomb
    return AcidBite(rate, equivalent_a, taught_s_mm2_per_coulomb / growth.area_mm2(0.0))
