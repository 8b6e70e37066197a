"""Runs studios through the learning, the filter that knows the law, and the simple ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.physics.learning import new_learner
from controller.physics.learning.forecast import depth_after
from controller.physics.readings import GaugeReading
from tests.proofs.studios.oracle import predictions
from tests.proofs.studios.worlds import (
    AREA_SD,
    ARTWORKS,
    CHARGES,
    FRESH_AT,
    RUNS,
    SHUNT_SD,
    SILVER,
    Law,
    Studio,
)

Array = npt.NDArray[np.float64]
LATER = slice(1, None)
"""Runs 2 to 30."""


def learned(studio: Studio) -> Array:
    """Return best estimate and ends of the interval for each run, from the runs before it."""
    learner = new_learner(SILVER, AREA_SD, SHUNT_SD)
    found = np.empty((RUNS, 3))
    for k, run in enumerate(studio.runs):
        growth, charge = ARTWORKS[run.artwork], CHARGES[run.artwork]
        if run.is_fresh:
            learner = learner.fresh_acid()
        learner = learner.next_run(AREA_SD)
        depth = depth_after(learner.belief(), growth, SILVER.mm3_per_coulomb, charge)
        found[k] = depth.best_mm, depth.low_mm, depth.high_mm
        reading = GaugeReading(charge, run.spots_mm, resolution_mm=0.001, person=run.person)
        learner = learner.learn(reading, growth)
    return found


def simple_ways(studio: Studio) -> dict[str, Array]:
    """Return what each simple way predicts for each run, mm; NaN before there is a run."""
    faraday = [
        SILVER.mm3_per_coulomb * CHARGES[run.artwork] / ARTWORKS[run.artwork].open_area_mm2
        for run in studio.runs
    ]
    ratios = [
        float(np.mean(run.spots_mm)) / depth
        for run, depth in zip(studio.runs, faraday, strict=True)
    ]
    last = [np.nan, *(r * d for r, d in zip(ratios, faraday[1:], strict=False))]
    means = [np.nan] + [np.mean(ratios[max(0, k - 5) : k]) * faraday[k] for k in range(1, RUNS)]
    return {
        "clock and last run": np.array(last),
        "plain Faraday": np.array(faraday),
        "mean of five runs": np.array(means),
    }


@dataclass(frozen=True)
class Figures:
    """What came out of the studios of one law.

    :param covered, by_run, lowest: share of runs 2 to 30 inside the interval; by run; worst run.
    :param error_um, oracle_error_um: root mean square error over runs 2 to 30.
    :param width: mean width of the interval over that of the oracle.
    :param fresh: error of the run after fresh acid over the oracle's.
    """

    covered: float
    by_run: Array
    oracle_covered: float
    error_um: float
    oracle_error_um: float
    width: float
    fresh: float
    simple_um: dict[str, float]

    @property
    def lowest(self) -> float:
        return float(self.by_run[LATER].min())


def figures(law: Law, seeds: Sequence[int]) -> Figures:
    """Return the figures of so many studios."""
    studios = [Studio(law, seed) for seed in seeds]
    truth = np.array([[run.true_mm for run in studio.runs] for studio in studios])
    ours = np.array([learned(studio) for studio in studios])
    oracle = np.concatenate(
        [predictions(law, studios[i : i + 50]) for i in range(0, len(studios), 50)]
    )
    inside = (ours[:, :, 1] < truth) & (truth < ours[:, :, 2])
    oracle_inside = (oracle[:, :, 1] < truth) & (truth < oracle[:, :, 2])
    fresh = FRESH_AT - 1
    simple = [simple_ways(studio) for studio in studios]
    return Figures(
        covered=float(inside[:, LATER].mean()),
        by_run=inside.mean(axis=0),
        oracle_covered=float(oracle_inside[:, LATER].mean()),
        error_um=_error_um(ours[:, LATER, 0], truth[:, LATER]),
        oracle_error_um=_error_um(oracle[:, LATER, 0], truth[:, LATER]),
        width=float(
            (ours[:, LATER, 2] - ours[:, LATER, 1]).mean()
            / (oracle[:, LATER, 2] - oracle[:, LATER, 1]).mean()
        ),
        fresh=_error_um(ours[:, fresh, 0], truth[:, fresh])
        / _error_um(oracle[:, fresh, 0], truth[:, fresh]),
        simple_um={
            name: _error_um(np.array([s[name] for s in simple])[:, LATER], truth[:, LATER])
            for name in simple[0]
        },
    )


def _error_um(found: Array, truth: Array) -> float:
    return 1000.0 * float(np.sqrt(np.mean((found - truth) ** 2)))
