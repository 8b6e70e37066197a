"""Coulomb counter: integrates time-stamped samples by the trapezoid rule. Pure.

It uses the samples' own times, never the loop's period. The sensor averages over each conversion,
so the supply's ripple cancels out. Over a whole stretch, from no current to no current, only the
jitter of the first and the last time stamp remains (measured in tests/rehearsal/test_rig.py).
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.errors import BiteclockError, RefusedError
from controller.messages import Sample


class ChargeGapError(BiteclockError):
    """Two samples are too far apart to integrate. The gap's charge counts as uncertain."""

    def __init__(self, gap_s: float, max_gap_s: float, missing_coulombs: float) -> None:
        super().__init__(
            "physics.charge.gap",
            gap_s=gap_s,
            max_gap_s=max_gap_s,
            missing_coulombs=missing_coulombs,
        )
        self.gap_s = gap_s


@dataclass(slots=True)
class CoulombCounter:
    """Charge of one run in C.

    :param max_gap_s: longest time between two samples that is still integrated.
    :param bound_a: over-current limit of the run; bounds the charge of a gap.
    :param sure_a: from this reading on, current peaks may exceed the sensor's range.
    :param most_a: the most that the supply can drive; bounds the charge beyond the range.
    :param charge_coulombs: counted so far.
    :param uncertain_coulombs: between 0 and this much more may have flowed uncounted. A reverse
        current beyond the range may have removed as much.
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
        """Begin counting at the last sample before the relay turns on."""
        self._last = sample
        self._unsure_from_s = sample.taken_at_s
        self._is_beyond = False

    def close(self) -> None:
        """Stop counting; ``anchor`` begins again."""
        self._last = None

    @property
    def is_counting(self) -> bool:
        """Return whether samples are being counted."""
        return self._last is not None

    def add(self, sample: Sample) -> None:
        """Integrate up to an averaged sample.

        Raises: ChargeGapError after a gap; RefusedError without an anchor or when the time did
            not move forward.
        """
        last = self._last
        if last is None:
            raise RefusedError("physics.charge.not_anchored")
        gap_s = sample.taken_at_s - last.taken_at_s
        if not gap_s > 0.0:
            raise RefusedError("physics.charge.time_backwards", gap_s=gap_s)
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
        """Note whether a quick look is near the end of the sensor's range. Nothing is integrated.

        Single readings inside a conversion may clip. The peak may have begun in the conversion
        before and may end in the one after, so all three count as uncertain, at ``most_a``.
        """
        if sample.saturated or abs(sample.current_a) >= self.sure_a:
            self._is_beyond = True

    def _book(self, time_s: float) -> float:
        """Count the time since the last sample as uncertain; return what may be missing, C."""
        bound_a = self.bound_a
        if self._is_beyond and self._last is not None:
            bound_a = self.most_a
            time_s += self._last.taken_at_s - self._unsure_from_s
        missing_coulombs = time_s * bound_a
        self.uncertain_coulombs += missing_coulombs
        return missing_coulombs

    def give_up(self, age_s: float) -> None:
        """Stop counting after ``age_s`` without a sample. That time counts as a gap."""
        if self.is_counting:
            self._book(max(0.0, age_s))
            self.close()
