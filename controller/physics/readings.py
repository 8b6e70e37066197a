"""Readings of gauge and scale: the depth or mass that they show, and its standard error. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean

from controller.errors import RefusedError
from controller.physics.evenness import likely_evenness
from controller.physics.places import EVENNESS_GRID, Place
from controller.physics.relief import interpolate
from controller.units import positive

PLACE_FACTOR = {"centre": (1.0, 0.02), "edge": (1.15, 0.08), "small-field": (1.15, 0.08)}
"""Depth at a place over the mean depth, and its standard deviation: current crowds at edges and
small fields. Source: common practice, no source (1.15 to 1.3 for the deepest place)."""

PLACE_SD = 0.02
"""Standard deviation of depth at a place over what the distribution expects there. Common
practice, no source."""

FILM_MM = (0.045, 0.005)
"""Thickness of dry film resist and its standard deviation, mm; subtracted from a reading on the
resist. Source: common practice."""


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """Spot depths taken with the plate out of the bath.

    :param charge_coulombs: counted charge at that moment.
    :param spots_mm: one depth per spot, as read.
    :param place: centre, edge or small-field.
    :param from_resist_top: the gauge rested on the resist, so the film is subtracted.
    :param resolution_mm: smallest step of the gauge.
    :param film_mm: thickness of the resist.
    :param ratios: depth at the place over the mean depth, for each value of EVENNESS_GRID, or
        None when only the word is known.
    :param person: who gauged, or None.
    :param gauge: which gauge, or None.
    :param at: the place that was pointed at or chosen; ``ratios`` are its own.
    :param acid_s: time in which the acid had bitten until then; None where it was not noted.
    """

    charge_coulombs: float
    spots_mm: tuple[float, ...]
    place: str = "centre"
    from_resist_top: bool = False
    resolution_mm: float = 0.01
    film_mm: float = FILM_MM[0]
    ratios: tuple[float, ...] | None = None
    person: str | None = None
    gauge: str | None = None
    at: Place | None = None
    acid_s: float | None = None

    def mean_depth(self, evenness: float | None = None) -> tuple[float, float]:
        """Return the mean depth of the floor and its standard error, mm.

        :param evenness: of the bath, 0 to 1; None stands for what is likely before any reading.
        Raises: RefusedError without spots, for a spot that is not a depth, or an unknown place.
        """
        factor, factor_sd = self._place_factor(evenness)
        if not self.spots_mm:
            raise RefusedError("physics.gauge.no_spots", field="spots_mm")
        film_mm, film_sd = self._film_under_mm, FILM_MM[1] if self.from_resist_top else 0.0
        spots = [_depth_below_film_mm(spot_mm, film_mm) / factor for spot_mm in self.spots_mm]
        count = len(spots)
        mean_mm = math.fsum(spots) / count
        step_sd = positive(self.resolution_mm, "resolution_mm", "mm") / math.sqrt(12.0)
        # statistics.stdev takes ten times as long, and a bath has hundreds of readings.
        squares = math.fsum((spot - mean_mm) ** 2 for spot in spots)
        spread_sd = math.sqrt(squares / (count - 1)) if count > 1 else 0.05 * mean_mm
        scatter = math.hypot(spread_sd, step_sd) / math.sqrt(count)
        return mean_mm, math.hypot(scatter, film_sd, factor_sd * mean_mm)

    def evenness_fraction(self) -> float | None:
        """Return (deepest - shallowest) / mean of the spots, or None with fewer than two."""
        if len(self.spots_mm) < 2:
            return None
        return (max(self.spots_mm) - min(self.spots_mm)) / (
            fmean(self.spots_mm) - self._film_under_mm
        )

    def _place_factor(self, evenness: float | None) -> tuple[float, float]:
        """Return depth at the place over the mean depth, and its standard deviation."""
        if self.ratios is not None:
            at = likely_evenness() if evenness is None else evenness
            return interpolate(tuple(zip(EVENNESS_GRID, self.ratios, strict=True)), at), PLACE_SD
        if self.place not in PLACE_FACTOR:
            known = ", ".join(PLACE_FACTOR)
            raise RefusedError(
                "physics.gauge.unknown_place", field="place", place=self.place, known=known
            )
        return PLACE_FACTOR[self.place]

    @property
    def _film_under_mm(self) -> float:
        return self.film_mm if self.from_resist_top else 0.0


def _depth_below_film_mm(spot_mm: float, film_mm: float) -> float:
    if positive(spot_mm, "spots_mm", "mm") <= film_mm:
        raise RefusedError(
            "physics.gauge.all_film", field="spots_mm", spot_mm=spot_mm, film_mm=film_mm
        )
    return spot_mm - film_mm


@dataclass(frozen=True, slots=True)
class Weighing:
    """Metal lost, weighed bare before lamination and after stripping.

    :param charge_coulombs: charge counted between the two weighings.
    :param lost_g: difference of the two.
    :param resolution_g: smallest step of the scale.
    :param acid_s: as in GaugeReading.
    """

    charge_coulombs: float
    lost_g: float
    resolution_g: float = 0.01
    acid_s: float | None = None

    def standard_error_g(self) -> float:
        """Return the standard error of the difference, g: one step for each of two readings."""
        return positive(self.resolution_g, "resolution_g", "g") * math.sqrt(2.0)


Reading = GaugeReading | Weighing


def noted_pace(reading: Reading) -> float | None:
    """Return the time in the acid per coulomb counted until a reading, s/C, if it was noted."""
    if reading.acid_s is None or reading.charge_coulombs <= 0.0:
        return None
    return reading.acid_s / reading.charge_coulombs
