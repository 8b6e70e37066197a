"""A filter that knows the world's law: exact Bayes on a grid over bath and etch factor.

It knows spread, drift, tails, the shares of blunders and wrong datums, the offset of each person,
and when the acid was changed. What it does not know is what no law tells: this bath's bite
factor, its etch factor, and which readings are wrong. It shares no code with the learning.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

from tests.proofs.studios.worlds import (
    AREA_SD,
    ARTWORKS,
    BLUNDER_MM,
    CHARGES,
    FILM_MM,
    FRESH_AT,
    PLACE_SD,
    RUNS,
    SHUNT_SD,
    SILVER,
    SPOT_SD_MM,
    SPOTS,
    Law,
    Studio,
)

Array = npt.NDArray[np.float64]

_STEP = 0.01
_Z = np.arange(-1.0, 1.0 + _STEP / 2, _STEP)
_STEPS_E = stats.norm.ppf((np.arange(17) + 0.5) / 17)
_E = SILVER.etch_factor * np.exp(SILVER.etch_factor_sd * _STEPS_E / np.std(_STEPS_E))
_DEPTHS = np.geomspace(0.08, 0.8, 240)


def ln_over_faraday(artwork: int, depth_mm: Array) -> Array:
    """Return ln(V_e(d) / (k Q)) with a new first axis over the etch factors."""
    growth, charge = ARTWORKS[artwork], CHARGES[artwork]
    e = _E.reshape((-1,) + (1,) * depth_mm.ndim)
    d = np.maximum(depth_mm, 1e-4)
    volume = d * (
        growth.open_area_mm2 + d * (np.pi / 4 * growth.edge_mm / e + d * 2.0 / 3.0 * np.pi / e**2)
    )
    result: Array = np.log(volume / (SILVER.mm3_per_coulomb * charge))
    return result


_EXPECTED = [ln_over_faraday(k, _DEPTHS) for k in range(len(ARTWORKS))]


def predictions(law: Law, studios: Sequence[Studio]) -> Array:
    """Return median and ends of the 95 % interval for each studio and run: (studios, runs, 3)."""
    count = len(studios)
    first = _density(np.hypot(law.bath_sd, SHUNT_SD), None)(_Z)
    start = np.broadcast_to(first / first.sum() / len(_E), (count, len(_E), len(_Z)))
    moves = _moves(law)
    run_law = _sum_law(law, 0.0)
    scatter = run_law(_Z[:, None] - _Z[None, :])
    scatter /= scatter.sum(axis=0)
    noise = np.hypot(PLACE_SD, SPOT_SD_MM / np.sqrt(SPOTS) / 0.25) * 1.2
    seen_law = _sum_law(law, noise)
    belief = start.copy()
    found = np.empty((count, RUNS, 3))
    for run in range(RUNS):
        if run + 1 == FRESH_AT:
            belief = belief.sum(axis=2, keepdims=True) * first / first.sum()
        elif run:
            belief = belief @ moves.T
        found_z = belief @ scatter.T
        reached = np.cumsum(found_z, axis=2) - 0.5 * found_z
        for artwork in range(len(ARTWORKS)):
            chosen = [i for i, s in enumerate(studios) if s.runs[run].artwork == artwork]
            if chosen:
                found[chosen, run] = _quantiles(reached[chosen], artwork)
        for i, studio in enumerate(studios):
            seen = studio.runs[run]
            read_mm = float(np.mean(seen.spots_mm)) - studio.offsets_mm[seen.person]
            belief[i] *= _likelihood(law, seen.artwork, read_mm, seen_law)
        belief /= belief.sum(axis=(1, 2), keepdims=True)
    return found


def _likelihood(law: Law, artwork: int, read_mm: float, seen_law: _Law) -> Array:
    """Return the likelihood of a reading for each etch factor and bath."""
    good = 1.0 - law.blunders - law.datums
    shapes = [(good, 0.0)]
    shapes += [(law.blunders / 2, shift) for shift in (-BLUNDER_MM, BLUNDER_MM)]
    shapes += [(law.datums / 2, shift) for shift in (-FILM_MM, FILM_MM)]
    total = np.full((len(_E), len(_Z)), 1e-12)
    for share, shift in shapes:
        depth = read_mm - shift
        if share > 0.0 and depth > 0.01:
            pair = ln_over_faraday(artwork, np.array([depth, depth * 1.001]))
            slope = (pair[:, 1] - pair[:, 0]) / (0.001 * depth)
            total += share * slope[:, None] * seen_law(pair[:, :1] - _Z[None, :])
    return total


def _quantiles(reached: Array, artwork: int) -> Array:
    """Return median and 2.5 % and 97.5 % points of the depth for each studio."""
    at = (_EXPECTED[artwork] - _Z[0]) / _STEP
    low = np.clip(at.astype(int), 0, len(_Z) - 2)
    part = np.clip(at - low, 0.0, 1.0)
    rows = np.arange(len(_E))[:, None]
    cdf = (reached[:, rows, low] * (1 - part) + reached[:, rows, low + 1] * part).sum(axis=1)
    return np.array(
        [np.interp((0.5, 0.025, 0.975), row, _DEPTHS) for row in np.maximum.accumulate(cdf, 1)]
    )


class _Law:
    """A density, as a table."""

    def __init__(self, x: Array, density: Array) -> None:
        self._x, self._density = x, density

    def __call__(self, x: Array) -> Array:
        result: Array = np.interp(x, self._x, self._density)
        return result


def _density(sd: float, tails: int | None) -> _Law:
    x = np.arange(-3.0, 3.0, 0.001)
    if sd == 0.0:
        raise ValueError("no spread")
    if tails is None:
        return _Law(x, stats.norm.pdf(x, scale=sd))
    return _Law(x, stats.t.pdf(x, tails, scale=sd * np.sqrt((tails - 2) / tails)))


def _sum_law(law: Law, noise: float) -> _Law:
    """Return the density of run + area + noise."""
    x = np.arange(-3.0, 3.0, 0.001)
    run = _density(law.run_sd, law.tails)(x)
    rest = np.hypot(AREA_SD, noise)
    kernel = stats.norm.pdf(np.arange(-0.5, 0.5005, 0.001), scale=rest)
    return _Law(x, np.convolve(run, kernel / kernel.sum(), mode="same"))


def _moves(law: Law) -> Array:
    """Return the probability of each next bath (rows) after each present one (columns)."""
    expected = law.keeps * _Z + law.trend
    if law.drift_sd < _STEP:
        # Narrower than the grid: split between neighbours with the right mean and variance.
        sd = max(law.drift_sd, 0.4 * _STEP)
        moves = stats.norm.pdf(_Z[:, None], expected[None, :], sd)
    else:
        moves = _density(law.drift_sd, law.tails)(_Z[:, None] - expected[None, :])
    if law.drift_sd == 0.0 and law.keeps == 1.0 and law.trend == 0.0:
        moves = np.eye(len(_Z))
    result: Array = moves / moves.sum(axis=0)
    return result
