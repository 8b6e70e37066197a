"""A weighed coupon: bare metal in the bath without current shows the rate of attack. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import RefusedError
from controller.physics.attack import (
    KNOWN_SD_K,
    UNKNOWN_SD_K,
    USUAL_DEGC,
    AttackRate,
    law_of,
    sane_degc,
    warming_ln,
)
from controller.physics.faraday import Metal
from controller.units import MM2_PER_CM2, MM3_PER_CM3, positive

AREA_SD_FRACTION = 0.03
"""Relative standard deviation of a coupon's measured area. Source: common practice, no source."""

DAY_SD_LN = 0.15
"""How far the attack differs from day to day, and with the current on. Source: common practice, no
source."""

STEPS_NEEDED = 6.0
"""A useful weighing has lost this many steps of the scale: then the step alone makes the rate
uncertain by a quarter."""

MOST_UM_PER_MIN = 50.0
"""More than this is a slip of the pen: hand etching takes 1 to 5 um/min (from memory, trade)."""

SHORTEST_MIN = 1.0


@dataclass(frozen=True, slots=True)
class Coupon:
    """A bare coupon that hung in the bath without current.

    :param area_cm2: all of its bare surface, front, back and edges.
    :param minutes: time in the bath.
    :param lost_g: weight before less weight after, rinsed and dry.
    :param degc: temperature of the bath, or None when it was not measured.
    :param resolution_g: smallest step of the scale.
    """

    area_cm2: float
    minutes: float
    lost_g: float
    degc: float | None = None
    resolution_g: float = 0.01

    def rate(self, metal: Metal) -> AttackRate:
        """Return the rate that this coupon shows.

        Raises: RefusedError for impossible figures, and for a loss that the scale cannot show; it
        says how long to wait.
        """
        area_cm2 = positive(self.area_cm2, "area_cm2", "cm2")
        step_g = positive(self.resolution_g, "resolution_g", "g")
        if positive(self.minutes, "minutes", "min") < SHORTEST_MIN:
            raise RefusedError(
                "physics.coupon.too_short",
                field="minutes",
                time_min=self.minutes,
                limit_min=SHORTEST_MIN,
            )
        if self.degc is not None:
            sane_degc(self.degc, "temperature_degc")
        if not math.isfinite(self.lost_g) or self.lost_g < 0.0:
            raise RefusedError("physics.coupon.heavier", field="lost_g", lost_g=self.lost_g)
        if self.lost_g < STEPS_NEEDED * step_g * (1.0 - 1e-9):
            raise RefusedError(
                "physics.coupon.too_little",
                field="lost_g",
                lost_g=self.lost_g,
                step_g=step_g,
                limit_g=STEPS_NEEDED * step_g,
                wait_min=self.minutes_needed(),
            )
        mm = self.lost_g / metal.density_g_per_cm3 * MM3_PER_CM3 / (area_cm2 * MM2_PER_CM2)
        um_per_min = 1000.0 * mm / self.minutes
        if um_per_min > MOST_UM_PER_MIN:
            raise RefusedError(
                "physics.coupon.too_fast",
                field="lost_g",
                rate_um_per_min=um_per_min,
                limit_um_per_min=MOST_UM_PER_MIN,
            )
        sd_ln = math.hypot(math.sqrt(2.0) * step_g / self.lost_g, AREA_SD_FRACTION)
        return AttackRate(um_per_min, sd_ln, "coupon")

    def minutes_needed(self) -> float:
        """Return how long such a coupon has to hang for a useful weighing, min.

        A loss that the scale cannot show counts as one step.
        """
        seen_g = max(self.lost_g, self.resolution_g)
        return math.ceil(self.minutes * STEPS_NEEDED * self.resolution_g / seen_g)


def rate_in_use(
    metal: Metal, weighed: AttackRate, weighed_degc: float | None, usual_degc: float | None
) -> AttackRate:
    """Return the rate for a run from the one that a coupon showed.

    Where both temperatures are known, the rate follows Arrhenius' law from one to the other.
    """
    law = law_of(metal)
    at_degc = USUAL_DEGC if usual_degc is None else usual_degc
    is_known = weighed_degc is not None and usual_degc is not None
    warming = 0.0
    if weighed_degc is not None and usual_degc is not None:
        warming = warming_ln(law, weighed_degc, usual_degc)
    sd_k = KNOWN_SD_K if is_known else UNKNOWN_SD_K
    thermal_sd = warming_ln(law, at_degc, at_degc + sd_k)
    return AttackRate(
        weighed.um_per_min * math.exp(warming),
        math.hypot(weighed.sd_ln, DAY_SD_LN, thermal_sd),
        "coupon",
    )
