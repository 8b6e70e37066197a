"""What happened between the samples of a meter log: how far the trapezoid rule may be off. Pure.

Only the differences between neighbouring samples are known. Two things can hide between them:

- a step at an unknown moment. The trapezoid puts it in the middle, so its error is evenly spread
  over half the difference times the interval, either way;
- ripple and noise that the log samples at random. The error of the sum is then that of a mean of
  independent samples, and half the mean square of the differences is their variance. The largest
  tenth of the differences is left out and allowed for, so that a few steps do not count as noise.

Both add in squares. A current that swings in step with the samples, and a break that begins and
ends between two samples, leave no trace and cannot be covered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

_SIGMA = NormalDist().inv_cdf(0.975)
_TRIMMED_SHARE = 0.1
_EDGE = NormalDist().inv_cdf(1.0 - 0.5 * _TRIMMED_SHARE)
_KEPT_VARIANCE = 1.0 - _TRIMMED_SHARE - 2.0 * _EDGE * NormalDist().pdf(_EDGE)
"""Share of a normal variable's variance that is left without the largest tenth. Source: integral of
x^2 phi(x) between -1.645 and 1.645."""


def missed_coulombs(intervals_s: Sequence[float], differences_a: Sequence[float]) -> float:
    """Return how far a counted charge may be off, C: half the width of its 95 % interval.

    :param intervals_s: time between the samples of each pair that was counted.
    :param differences_a: difference of their currents.
    """
    count = len(intervals_s)
    if count == 0:
        return 0.0
    square_steps = sum(
        (h_s * d_a) ** 2 for h_s, d_a in zip(intervals_s, differences_a, strict=True)
    )
    squares = sorted(d_a * d_a for d_a in differences_a)
    left_out = int(_TRIMMED_SHARE * count)
    kept = squares[: count - left_out]
    scale = _KEPT_VARIANCE if left_out else 1.0
    noise_variance = 0.5 * sum(kept) / (count * scale)
    square_noise = noise_variance * sum(h_s * h_s for h_s in intervals_s)
    return _SIGMA * math.sqrt(square_steps / 12.0 + square_noise)
