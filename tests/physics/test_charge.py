"""The coulomb counter against independent integration, and what it does when it cannot count."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, trapezoid

from controller.errors import BiteclockError
from controller.messages import Sample
from controller.physics.charge import ChargeGapError, CoulombCounter


def sample(at_s: float, current_a: float, saturated: bool = False) -> Sample:
    return Sample(at_s, current_a, 3.0, saturated)


def counter(
    max_gap_s: float = 1.0, bound_a: float = 4.0, sure_a: float = 17.0, most_a: float = 200.0
) -> CoulombCounter:
    return CoulombCounter(max_gap_s, bound_a, sure_a, most_a)


def count(samples: list[Sample]) -> CoulombCounter:
    result = counter()
    result.anchor(samples[0])
    for each in samples[1:]:
        result.add(each)
    return result


@given(st.lists(st.tuples(st.floats(0.001, 1.0), st.floats(-1.0, 16.0)), min_size=2, max_size=60))
def test_trapezoid_agrees_with_scipy(steps: list[tuple[float, float]]) -> None:
    """At uneven times the count is the trapezoid of scipy.integrate."""
    times_s = [1e5 + t for t in np.cumsum([step for step, _ in steps])]
    currents_a = [current for _, current in steps]
    counted = count([sample(t, i) for t, i in zip(times_s, currents_a, strict=True)])
    assert counted.charge_coulombs == pytest.approx(
        float(trapezoid(currents_a, times_s)), rel=1e-12, abs=1e-9
    )


def test_ramp_and_swing() -> None:
    """A ramp and a swing come out as their integral."""
    # 60 s of a current that ramps up and swings slowly, sampled each 68.6 ms with 10 ms of jitter,
    # seeded.
    noise = random.Random(7)

    def current_a(t: float) -> float:
        return 0.05 * t + 0.3 * math.sin(t / 3.0)

    times_s = [0.0]
    while times_s[-1] < 60.0:
        times_s.append(times_s[-1] + 0.0686 + noise.uniform(0.0, 0.010))
    counted = count([sample(t, current_a(t)) for t in times_s])
    expected, _ = quad(current_a, 0.0, times_s[-1], limit=200)
    assert counted.charge_coulombs == pytest.approx(expected, rel=1e-5)


def test_charge_follows_the_stamps() -> None:
    """Charge is counted by the samples' time stamps, not by the number of passes."""
    # Common practice, no source: 3 A for 10 min is 1800 C, whatever the spacing of the samples.
    for spacing_s in (0.05, 0.0686, 0.5, 1.0):
        steps = round(600.0 / spacing_s)
        counted = count([sample(600.0 * i / steps, 3.0) for i in range(steps + 1)])
        assert counted.charge_coulombs == pytest.approx(1800.0, rel=1e-9)


def test_reverse_current_is_subtracted() -> None:
    assert count([sample(0.0, -2.0), sample(0.5, -2.0)]).charge_coulombs == pytest.approx(-1.0)


def test_gap_at_its_limit() -> None:
    """The longest gap allowed is counted. A longer one is booked as uncertain charge."""
    at_limit = counter()
    at_limit.anchor(sample(10.0, 3.0))
    at_limit.add(sample(11.0, 3.0))
    assert (at_limit.charge_coulombs, at_limit.uncertain_coulombs) == (pytest.approx(3.0), 0.0)

    beyond = counter()
    beyond.anchor(sample(10.0, 3.0))
    with pytest.raises(
        ChargeGapError,
        match=r"1\.01 s; the longest gap allowed is 1\.00 s. Between 0 and 4\.0 C",
    ) as caught:
        beyond.add(sample(11.01, 3.0))
    assert caught.value.gap_s == pytest.approx(1.01)
    assert beyond.charge_coulombs == 0.0, "no charge is guessed for a gap"
    assert beyond.uncertain_coulombs == pytest.approx(1.01 * 4.0)
    beyond.add(sample(11.51, 3.0))
    assert beyond.charge_coulombs == pytest.approx(1.5), "counting goes on after the gap"
    assert beyond.uncertain_coulombs == pytest.approx(1.01 * 4.0)


@pytest.mark.parametrize("step_s", [0.0, -0.1, math.nan])
def test_time_must_move_forward(step_s: float) -> None:
    """Time that does not move forward is an error and counts nothing."""
    counted = counter()
    counted.anchor(sample(10.0, 3.0))
    with pytest.raises(BiteclockError, match="move forward"):
        counted.add(sample(10.0 + step_s, 3.0))
    assert counted.charge_coulombs == 0.0


def test_no_count_without_anchor() -> None:
    counted = counter()
    assert not counted.is_counting
    with pytest.raises(BiteclockError, match="anchored"):
        counted.add(sample(1.0, 3.0))
    counted.anchor(sample(1.0, 0.0))
    assert counted.is_counting
    counted.close()
    with pytest.raises(BiteclockError, match="anchored"):
        counted.add(sample(2.0, 3.0))


def test_stretches_add_up() -> None:
    """Stretches add up, and the pause between them does not count."""
    counted = counter()
    for start_s in (0.0, 5000.0):
        counted.anchor(sample(start_s, 2.0))
        counted.add(sample(start_s + 1.0, 2.0))
        counted.close()
    assert counted.charge_coulombs == pytest.approx(4.0)
    assert counted.uncertain_coulombs == 0.0


def test_giving_up_books_once() -> None:
    """Giving up books the unseen time once."""
    counted = counter()
    counted.anchor(sample(10.0, 3.0))
    counted.give_up(1.06)
    assert not counted.is_counting
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0)
    counted.give_up(5.0)
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0), (
        "closed: nothing more to give up"
    )
    counted.anchor(sample(20.0, 3.0))
    counted.give_up(-0.1)
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0), "a time in the future is no gap"


# --- beyond the sensor's range --------------------------------------------------------------------

RANGE_A, MOST_A, CONVERSION_S = 16.0, 200.0, 0.07


def test_saturated_conversion_books_neighbours() -> None:
    """A saturated conversion is booked with the one before and the one after, each once."""
    counted = counter()
    counted.anchor(sample(10.0, 0.0))
    booked = []
    added = (
        (10.07, 3.0),
        (10.15, 9.0),
        (10.24, 16.0),
        (10.34, 16.0),
        (10.45, 5.0),
        (10.57, 0.0),
        (10.70, 0.0),
    )
    for at_s, current_a in added:
        counted.add(sample(at_s, current_a, saturated=current_a == RANGE_A))
        booked.append(counted.uncertain_coulombs / MOST_A)
    assert booked == [
        0.0,
        0.0,
        *(pytest.approx(s, rel=1e-9) for s in (0.17, 0.27, 0.38, 0.38, 0.38)),
    ]
    plain = count([sample(10.0, 0.0), *(sample(*each) for each in added)])
    assert counted.charge_coulombs == plain.charge_coulombs, "what was read is counted all the same"


def test_saturated_look_books_neighbours() -> None:
    """A saturated quick look books the conversions on both sides of it."""
    counted = counter()
    counted.anchor(sample(10.0, 0.0))
    counted.add(sample(10.07, 3.0))
    counted.add(sample(10.15, 9.0))
    counted.look(sample(0.0, RANGE_A, saturated=True))
    assert counted.uncertain_coulombs == 0.0
    counted.add(sample(10.27, 2.0))
    counted.add(sample(10.34, 0.0))
    assert counted.uncertain_coulombs == pytest.approx((10.27 - 10.07) * MOST_A, rel=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_near_saturated_reading_is_booked(sign: float) -> None:
    """A reading near the end of the range is booked like one at the end, and no smaller one is."""
    # Ripple: the crests are cut off, so the mean does not reach the end of the range.
    for near_a, seconds in ((13.59, 0.0), (13.6, 0.21), (15.0, 0.21)):
        added, looked = counter(sure_a=13.6), counter(sure_a=13.6)
        for each in (added, looked):
            each.anchor(sample(10.0, 0.0))
            each.add(sample(10.07, 3.0))
        added.add(sample(10.14, sign * near_a))
        looked.look(sample(10.08, sign * near_a))
        looked.add(sample(10.14, 3.0))
        for each in (added, looked):
            each.add(sample(10.21, 1.0))
        assert added.uncertain_coulombs == pytest.approx(seconds * MOST_A)
        assert looked.uncertain_coulombs == pytest.approx(min(seconds, 0.14) * MOST_A)


def test_booking_stays_within_stretch() -> None:
    """Nothing is booked from before the stretch, and nothing of it in the next one."""
    counted = counter()
    counted.anchor(sample(10.0, 0.0))
    counted.add(sample(10.07, RANGE_A, saturated=True))
    assert counted.uncertain_coulombs == pytest.approx(0.07 * MOST_A)
    counted.close()
    counted.look(sample(0.0, RANGE_A, saturated=True))
    counted.anchor(sample(50.0, 0.0))
    counted.add(sample(50.07, 3.0))
    assert counted.uncertain_coulombs == pytest.approx(0.07 * MOST_A)


def test_gap_after_saturation() -> None:
    """After a saturated reading, a gap is booked at the current that the supply can drive."""
    given_up, gap = counter(), counter()
    for each in (given_up, gap):
        each.anchor(sample(10.0, 0.0))
        each.add(sample(10.07, 3.0))
        each.look(sample(0.0, RANGE_A, saturated=True))
    given_up.give_up(0.5)
    assert given_up.uncertain_coulombs == pytest.approx((0.07 + 0.5) * MOST_A)
    with pytest.raises(ChargeGapError, match=r"No sample for 1\.50 s; .* Between 0 and 314\.0 C"):
        gap.add(sample(11.57, 0.0))
    assert gap.uncertain_coulombs == pytest.approx((0.07 + 1.5) * MOST_A)


SHARE, SIGN = st.floats(0.0, 1.0), st.sampled_from((1.0, -1.0))


@given(SHARE, SHARE, st.integers(1, 3), st.floats(16.5, MOST_A), SIGN, st.booleans())
def test_unseen_clipping_is_covered(
    begins: float, ends: float, full: int, beyond_a: float, sign: float, looks: bool
) -> None:
    """What clips unseen around a saturated reading is within the booked charge."""
    # 3 A, then a larger current from within one conversion to within a later one, then none. Each
    # reading inside a conversion clips by itself, as in the chip (TI SBOS448). The truth is
    # integrated beside it. When neither conversion reaches the end of the range, a quick look
    # between them does.
    full = 0 if looks else full
    from_s, to_s = (3 + begins) * CONVERSION_S, (4 + full + ends) * CONVERSION_S
    counted = counter(most_a=MOST_A)
    counted.anchor(sample(0.0, 3.0))
    last_a, doubt_coulombs = 3.0, 0.0
    for k in range(10):
        start_s, end_s = k * CONVERSION_S, (k + 1) * CONVERSION_S
        large_s = max(0.0, min(end_s, to_s) - max(start_s, from_s))
        small_s = max(0.0, min(end_s, from_s) - start_s)
        mean_a = (3.0 * small_s + sign * RANGE_A * large_s) / CONVERSION_S
        if k == 4 and looks:
            counted.look(sample(0.0, RANGE_A, saturated=True))
        counted.add(sample(end_s, mean_a, saturated=abs(mean_a) >= 0.997 * RANGE_A))
        doubt_coulombs += 0.5 * abs(mean_a - last_a) * CONVERSION_S
        last_a = mean_a
    true_coulombs = 3.0 * from_s + sign * beyond_a * (to_s - from_s)
    lost_coulombs = abs(true_coulombs - counted.charge_coulombs)
    assert lost_coulombs <= counted.uncertain_coulombs + doubt_coulombs + 1e-9
    assert counted.uncertain_coulombs <= (full + 4) * CONVERSION_S * MOST_A * (1.0 + 1e-9), (
        "and no more than that is booked"
    )


def test_misspelt_field_is_refused() -> None:
    with pytest.raises(AttributeError):
        counter().charge_coulomb = 1.0  # type: ignore[attr-defined]
