"""The coulomb counter against independent integration, and what it does when it cannot count."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, trapezoid

from controller.charge import ChargeGapError, CoulombCounter
from controller.messages import Sample


def sample(at_s: float, current_a: float) -> Sample:
    return Sample(at_s, current_a, 3.0)


def counter(max_gap_s: float = 1.0, bound_a: float = 4.0) -> CoulombCounter:
    return CoulombCounter(max_gap_s, bound_a)


def count(samples: list[Sample]) -> CoulombCounter:
    result = counter()
    result.anchor(samples[0])
    for each in samples[1:]:
        result.add(each)
    return result


@given(st.lists(st.tuples(st.floats(0.001, 1.0), st.floats(-1.0, 16.0)), min_size=2, max_size=60))
def test_the_trapezoid_at_uneven_times_is_the_reference_librarys(steps: list[tuple[float, float]]) -> None:
    times_s = [1e5 + t for t in np.cumsum([step for step, _ in steps])]
    currents_a = [current for _, current in steps]
    counted = count([sample(t, i) for t, i in zip(times_s, currents_a, strict=True)])
    assert counted.charge_coulombs == pytest.approx(float(trapezoid(currents_a, times_s)), rel=1e-12, abs=1e-9)


def test_a_ramp_and_a_swing_come_out_as_their_integral() -> None:
    # 60 s of a current that ramps up and swings slowly, sampled each 68.6 ms with 10 ms of jitter; seeded.
    noise = random.Random(7)

    def current_a(t: float) -> float:
        return 0.05 * t + 0.3 * math.sin(t / 3.0)

    times_s = [0.0]
    while times_s[-1] < 60.0:
        times_s.append(times_s[-1] + 0.0686 + noise.uniform(0.0, 0.010))
    counted = count([sample(t, current_a(t)) for t in times_s])
    expected, _ = quad(current_a, 0.0, times_s[-1], limit=200)
    assert counted.charge_coulombs == pytest.approx(expected, rel=1e-5)


def test_common_practice_by_its_stamps_and_not_by_a_count_of_passes() -> None:
    # Common practice, no source: 3 A for 10 min is 1800 C, whatever the spacing of the samples.
    for spacing_s in (0.05, 0.0686, 0.5, 1.0):
        steps = round(600.0 / spacing_s)
        counted = count([sample(600.0 * i / steps, 3.0) for i in range(steps + 1)])
        assert counted.charge_coulombs == pytest.approx(1800.0, rel=1e-9)


def test_current_against_the_etch_is_taken_off() -> None:
    assert count([sample(0.0, -2.0), sample(0.5, -2.0)]).charge_coulombs == pytest.approx(-1.0)


def test_the_largest_gap_is_counted_and_the_next_longer_one_is_booked() -> None:
    at_limit = counter()
    at_limit.anchor(sample(10.0, 3.0))
    at_limit.add(sample(11.0, 3.0))
    assert (at_limit.charge_coulombs, at_limit.uncertain_coulombs) == (pytest.approx(3.0), 0.0)

    beyond = counter()
    beyond.anchor(sample(10.0, 3.0))
    with pytest.raises(
        ChargeGapError, match=r"no sample for 1\.01 s, the largest gap is 1\.00 s: between 0 and 4\.0 C"
    ) as caught:
        beyond.add(sample(11.01, 3.0))
    assert caught.value.gap_s == pytest.approx(1.01)
    assert beyond.charge_coulombs == 0.0, "a gap is not guessed at"
    assert beyond.uncertain_coulombs == pytest.approx(1.01 * 4.0)
    beyond.add(sample(11.51, 3.0))
    assert beyond.charge_coulombs == pytest.approx(1.5), "counting goes on behind the gap"
    assert beyond.uncertain_coulombs == pytest.approx(1.01 * 4.0)


@pytest.mark.parametrize("step_s", [0.0, -0.1, math.nan])
def test_time_that_does_not_move_forward_is_an_error_and_counts_nothing(step_s: float) -> None:
    counted = counter()
    counted.anchor(sample(10.0, 3.0))
    with pytest.raises(ValueError, match="move forward"):
        counted.add(sample(10.0 + step_s, 3.0))
    assert counted.charge_coulombs == 0.0


def test_nothing_is_counted_without_an_anchor() -> None:
    counted = counter()
    assert not counted.is_counting
    with pytest.raises(ValueError, match="anchor"):
        counted.add(sample(1.0, 3.0))
    counted.anchor(sample(1.0, 0.0))
    assert counted.is_counting
    counted.close()
    with pytest.raises(ValueError, match="anchor"):
        counted.add(sample(2.0, 3.0))


def test_stretches_add_up_and_the_pause_between_them_does_not() -> None:
    counted = counter()
    for start_s in (0.0, 5000.0):
        counted.anchor(sample(start_s, 2.0))
        counted.add(sample(start_s + 1.0, 2.0))
        counted.close()
    assert counted.charge_coulombs == pytest.approx(4.0)
    assert counted.uncertain_coulombs == 0.0


def test_giving_up_books_the_unseen_time_once() -> None:
    counted = counter()
    counted.anchor(sample(10.0, 3.0))
    counted.give_up(1.06)
    assert not counted.is_counting
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0)
    counted.give_up(5.0)
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0), "closed: nothing more to give up"
    counted.anchor(sample(20.0, 3.0))
    counted.give_up(-0.1)
    assert counted.uncertain_coulombs == pytest.approx(1.06 * 4.0), "a time in the future is no gap"


def test_a_misspelt_field_is_an_error() -> None:
    with pytest.raises(AttributeError):
        counter().charge_coulomb = 1.0  # type: ignore[attr-defined]
