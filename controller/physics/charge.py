"""Coulomb counter: the trapezoid over time-stamped samples. Pure; the loop's period is never assumed.

The sensor averages over each conversion, so between two samples with no current the trapezoid gives the true charge
whatever the ripple; only the stamps' jitter at the two ends remains (measured in tests/rehearsal/test_rig.py).
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.errors import BiteclockError
from controller.messages import Sample


class ChargeGapError(BiteclockError):
    """Two samples lie too far apart to integrate between them. The gap has been booked as uncertain."""

    def __init__(self, gap_s: float, max_gap_s: float, missing_coulombs: float) -> None:
        super().__init__(
            f"no sample for {gap_s:.2f} s, the largest gap is {max_gap_s:.2f} s: "
            f"between 0 and {missing_coulombs:.1f} C are not counted"
        )
        self.gap_s = gap_s


@dataclass(slots=True)
class CoulombCounter:
    """Charge of one run in C.

    :param max_gap_s: longest time between samples that is integrated.
    :param bound_a: current that the run cannot have exceeded unseen (its over-current limit): bounds a gap's charge.
    :param sure_a: from this reading on parts of the current may lie beyond the sensor's range, which cuts them off.
    :param most_a: what the supply can drive at all: bounds the charge there.
    :param charge_coulombs: counted so far.
    :param uncertain_coulombs: between 0 and this much more may have flowed uncounted; of a current against the etch that went
        beyond the sensor's range, as much backwards.
    """

    max_gap_s: float
    bound_a: float
    sure_a: float
    most_a: float
    charge_coulombs: float = 0.0
    uncertain_coulombs: float = 0.0
    _last: Sample | None = None
    _unsure_from_s: float = 0.0
    _is_beyond: bool = False

    def anchor(self, sample: Sample) -> None:
        """Begin a stretch at the last sample before the relay turns on."""
        self._last = sample
        self._unsure_from_s = sample.taken_at_s
        self._is_beyond = False

    def close(self) -> None:
        """End the stretch: the next sample must be anchored first."""
        self._last = None

    @property
    def is_counting(self) -> bool:
        """Return whether a stretch is open."""
        return self._last is not None

    def add(self, sample: Sample) -> None:
        """Integrate up to an averaged sample.

        Raises: ChargeGapError after a gap; ValueError when no stretch is open or time did not move forward.
        """
        last = self._last
        if last is None:
            raise ValueError("no stretch is open: anchor the counter before the relay turns on")
        gap_s = sample.taken_at_s - last.taken_at_s
        if not gap_s > 0.0:
            raise ValueError(f"sample times must move forward, they moved by {gap_s:.6f} s")
        is_beyond = sample.saturated or abs(sample.current_a) >= self.sure_a
        if is_beyond:
            self._is_beyond = True
        is_gap = gap_s > self.max_gap_s
        missing_coulombs = self._book(gap_s) if is_gap or self._is_beyond else 0.0
        self._last = sample
        self._unsure_from_s = sample.taken_at_s if self._is_beyond else last.taken_at_s
        self._is_beyond = is_beyond
        if is_gap:
            raise ChargeGapError(gap_s, self.max_gap_s, missing_coulombs)
        self.charge_coulombs += 0.5 * (last.current_a + sample.current_a) * gap_s

    def look(self, sample: Sample) -> None:
        """Take note of a quick look, which is not added: that it comes near the end of the sensor's range.

        The readings inside a conversion clip one by one. So not only the conversion that shows it lacks charge: the one before
        and the one after may hold the beginning and the end. All three are booked as uncertain, at most_a.
        """
        if sample.saturated or abs(sample.current_a) >= self.sure_a:
            self._is_beyond = True

    def _book(self, time_s: float) -> float:
        """Book the time in s since the last sample, with what is unsure before it; return the C that may be missing."""
        bound_a = self.bound_a
        if self._is_beyond and self._last is not None:
            bound_a = self.most_a
            time_s += self._last.taken_at_s - self._unsure_from_s
        missing_coulombs = time_s * bound_a
        self.uncertain_coulombs += missing_coulombs
        return missing_coulombs

    def give_up(self, age_s: float) -> None:
        """End the stretch with the current unseen for age_s: book that time as a gap. Does nothing when closed."""
        if self.is_counting:
            self._book(max(0.0, age_s))
            self.close()
