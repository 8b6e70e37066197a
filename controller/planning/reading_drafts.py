"""A reading as a person enters it, and when that person must confirm it. Pure.

Missing values are filled in from the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import RefusedError
from controller.physics.estimate import DepthEstimate
from controller.physics.learning import ASK_BEYOND_SIGMA, Learner
from controller.physics.places import Place
from controller.physics.readings import GaugeReading, Reading, Weighing
from controller.planning.request import PlanRequest, growth_of
from controller.units import positive


@dataclass(frozen=True, slots=True)
class GaugeDraft:
    """A gauge reading as given; the fields are those of GaugeReading.

    :param charge_coulombs: charge that had flowed, or None for what the run has counted.
    :param at: the place that was pointed at or chosen, or None when only the word is known.
    """

    spots_mm: tuple[float, ...]
    place: str = "centre"
    from_resist_top: bool = False
    resolution_mm: float = 0.01
    charge_coulombs: float | None = None
    at: Place | None = None
    person: str | None = None
    gauge: str | None = None

    def complete(
        self, counted_coulombs: float, film_mm: float, places: Sequence[Place] = ()
    ) -> GaugeReading:
        """Return the reading of a run that counted this charge under a resist of this thickness.

        Raises: RefusedError for a reading that nothing can be learned from.
        """
        reading = GaugeReading(
            _charge_coulombs(self.charge_coulombs, counted_coulombs),
            self.spots_mm,
            self.place,
            self.from_resist_top,
            self.resolution_mm,
            film_mm,
            ratios_at(self.place, places) if self.at is None else self.at.ratios,
            self.person,
            self.gauge,
            self.at,
        )
        reading.mean_depth()
        return reading


@dataclass(frozen=True, slots=True)
class WeighingDraft:
    """A weighing as given; the fields are those of Weighing.

    :param charge_coulombs: charge that had flowed, or None for what the run has counted.
    """

    lost_g: float
    resolution_g: float = 0.01
    charge_coulombs: float | None = None

    def complete(
        self, counted_coulombs: float, _film_mm: float, _places: Sequence[Place] = ()
    ) -> Weighing:
        """Return the weighing of a run that counted this charge.

        Raises: RefusedError for a weighing that nothing can be learned from.
        """
        charge_coulombs = _charge_coulombs(self.charge_coulombs, counted_coulombs)
        return Weighing(charge_coulombs, positive(self.lost_g, "lost_g", "g"), self.resolution_g)


Draft = GaugeDraft | WeighingDraft

_WORDS = {"centre": "widest-floor-middle", "edge": "widest-floor-edge"}
"""The place of an artwork that a person means by a word."""


def ratios_at(place: str, places: Sequence[Place]) -> tuple[float, ...] | None:
    """Return the depth ratios of a place, or None where the artwork does not have it."""
    name = _WORDS.get(place, place)
    return next((known.ratios for known in places if known.name == name), None)


@dataclass(frozen=True, slots=True)
class Surprise:
    """What a surprising reading shows, and what was expected. None means unknown.

    :param read_error_mm: standard error of ``read_depth_mm``.
    """

    read_depth_mm: float | None
    read_error_mm: float | None
    depth_mm: float | None
    depth_low_mm: float | None
    depth_high_mm: float | None


class SurprisingReadingError(RefusedError):
    """A reading is far from the prediction. The person may confirm it."""

    def __init__(
        self, key: str, /, surprise: Surprise, *, deviations: float, limit_deviations: float
    ) -> None:
        super().__init__(
            key, field="is_confirmed", deviations=deviations, limit_deviations=limit_deviations
        )
        self.surprise = surprise


def refuse_surprise(
    learner: Learner, reading: Reading, request: PlanRequest, depth: DepthEstimate | None
) -> None:
    """Ask about a reading that is far from the prediction.

    :param depth: what is believed of the depth, for the question, or None when it is not known.
    Raises: SurprisingReadingError, to be confirmed by the person.
    """
    sigma = learner.surprise_sigma(reading, growth_of(request))
    if abs(sigma) <= ASK_BEYOND_SIGMA:
        return
    read = reading.mean_depth() if isinstance(reading, GaugeReading) else (None, None)
    known = (None, None, None) if depth is None else (depth.best_mm, depth.low_mm, depth.high_mm)
    raise SurprisingReadingError(
        "plan.reading.more_gone" if sigma > 0 else "plan.reading.less_gone",
        Surprise(*read, *known),
        deviations=abs(sigma),
        limit_deviations=ASK_BEYOND_SIGMA,
    )


def _charge_coulombs(given: float | None, counted_coulombs: float) -> float:
    return positive(counted_coulombs if given is None else given, "charge_coulombs", "C")
