"""A weighed coupon: its rate by hand, its uncertainty by simulation, its refusals."""

from __future__ import annotations

import math
import random
from statistics import stdev
from typing import Any

import pytest

from controller.errors import RefusedError
from controller.physics.coupon import AREA_SD_FRACTION, DAY_SD_LN, Coupon, rate_in_use
from controller.physics.faraday import METALS

COPPER, SILVER = METALS["copper"], METALS["fine-silver"]


def test_rate_by_hand() -> None:
    """0.1792 g of copper (8.96 g/cm3) from 20 cm2 are 0.02 cm3, 10 um, in 50 min 0.2 um/min."""
    rate = Coupon(20.0, 50.0, 0.1792).rate(COPPER)
    assert rate.um_per_min == pytest.approx(0.2)
    assert rate.source == "coupon"
    silver = Coupon(20.0, 50.0, 0.21).rate(SILVER)
    assert silver.um_per_min == pytest.approx(0.2), "10.5 g/cm3"


def test_uncertainty_by_simulation() -> None:
    """Two readings of a scale with steps, and the area, scatter the rate as stated.

    Each reading is off by up to half a step; the tool allows for one step in each, as for other
    weighings, so it states at least the scatter and at most four times as much.
    """
    draws, step_g = random.Random(3), 0.01
    stated = Coupon(20.0, 60.0, 0.1, None, step_g).rate(COPPER).sd_ln
    seen = []
    for _ in range(4000):
        before_g, lost_g = 8.0 + draws.random(), draws.uniform(0.095, 0.105)
        read_g = [round(weight / step_g) * step_g for weight in (before_g, before_g - lost_g)]
        area = math.exp(draws.gauss(0.0, AREA_SD_FRACTION))
        seen.append(math.log((read_g[0] - read_g[1]) / lost_g / area))
    assert stdev(seen) <= stated <= 4.0 * stdev(seen)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"lost_g": 0.05}, "physics.coupon.too_little"),
        ({"lost_g": 0.0}, "physics.coupon.too_little"),
        ({"lost_g": -0.02}, "physics.coupon.heavier"),
        ({"lost_g": math.nan}, "physics.coupon.heavier"),
        ({"lost_g": 90.0}, "physics.coupon.too_fast"),
        ({"minutes": 0.5}, "physics.coupon.too_short"),
        ({"degc": 80.0}, "physics.acid.temperature"),
        ({"area_cm2": 0.0}, "physics.number.above_zero"),
        ({"resolution_g": 0.0}, "physics.number.above_zero"),
    ],
)
def test_useless_coupon_refused(changes: dict[str, Any], key: str) -> None:
    with pytest.raises(RefusedError) as caught:
        Coupon(**{"area_cm2": 20.0, "minutes": 60.0, "lost_g": 0.16, **changes}).rate(COPPER)
    assert caught.value.message.key == key
    assert str(caught.value)


def test_refusal_says_how_long() -> None:
    """2 steps lost in 10 min: 6 steps need 30 min. Nothing lost counts as one step: 60 min."""
    with pytest.raises(RefusedError, match="about 30 min in all"):
        Coupon(20.0, 10.0, 0.02).rate(COPPER)
    with pytest.raises(RefusedError, match="about 60 min in all"):
        Coupon(20.0, 10.0, 0.0).rate(COPPER)
    Coupon(20.0, 30.0, 0.06).rate(COPPER)


def test_rate_follows_temperature() -> None:
    """Silver's attack doubles for each 10 K (12.1 kcal/mol, Martinez et al. 1993)."""
    weighed = Coupon(20.0, 60.0, 0.21, 20.0).rate(SILVER)
    warm = rate_in_use(SILVER, weighed, 20.0, 30.0)
    assert warm.um_per_min / weighed.um_per_min == pytest.approx(2.0, rel=0.02)
    unknown = rate_in_use(SILVER, weighed, None, 30.0)
    assert unknown.um_per_min == weighed.um_per_min
    assert unknown.sd_ln > warm.sd_ln > math.hypot(weighed.sd_ln, DAY_SD_LN)
