"""Coulomb counter: the trapezoid over time-stamped samples. Pure; the loop's period is never assumed.

The sensor averages over each conversion, so between two samples with no current the trapezoid gives the true charge
whatever the ripple; only the stamps' jitter at the two ends remains (measured in tests/test_bench.py).
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
    :param charge_coulombs: counted so far.
    :param uncertain_coulombs: between 0 and this much more may have flowed uncounted.
    """

    max_gap_s: float
    bound_a: float
    charge_coulombs: float = 0.0
    uncertain_coulombs: float = 0.0
    _last: Sample | None = None

    def anchor(self, sample: Sample) -> None:
        """Begin a stretch at the last sample before the relay turns on."""
        self._last = sample

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
        self._last = sample
        if gap_s > self.max_gap_s:
            self.book_gap(gap_s)
            raise ChargeGapError(gap_s, self.max_gap_s, gap_s * self.bound_a)
        self.charge_coulombs += 0.5 * (last.current_a + sample.current_a) * gap_s

    def book_gap(self, gap_s: float) -> None:
        """Book a time in s during which nobody counted: 0 to bound_a times that long may be missing."""
        self.uncertain_coulombs += gap_s * self.bound_a

    def give_up(self, age_s: float) -> None:
        """End the stretch with the current unseen for age_s: book that time as a gap. Does nothing when closed."""
        if self.is_counting:
            self.book_gap(max(0.0, age_s))
            self.close()
