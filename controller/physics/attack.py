"""Chemical attack while the plate is in the bath without current.

It widens the upper bound of the depth and nothing else. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

UPPER_FACTOR = 4.0
"""Until a coupon is weighed, the metal's rate may be wrong by this factor. Source: common
practice."""


@dataclass(slots=True)
class Soak:
    """Time in the bath without current.

    :param rate_um_per_min: guessed attack without current, see faraday.Metal.
    :param total_s: total of the earlier stays.
    :param since_s: monotonic time at which the present stay began, or None when the plate is out
        or etching.
    :param is_known: False when the plate was in the bath for a further, unknown time.
    """

    rate_um_per_min: float
    total_s: float = 0.0
    since_s: float | None = None
    is_known: bool = True

    def begin(self, now_s: float) -> None:
        """Begin a stay: the current is off, and nobody has reported that the plate is out."""
        if self.since_s is None:
            self.since_s = now_s

    def end(self, now_s: float) -> None:
        """End the stay: the plate is out, or the current is on again."""
        if self.since_s is not None:
            self.total_s += now_s - self.since_s
            self.since_s = None

    def seconds(self, now_s: float) -> float:
        """Return the time in the bath without current up to now, s."""
        return self.total_s + (0.0 if self.since_s is None else now_s - self.since_s)

    def upper_mm(self, now_s: float) -> float:
        """Return the greatest depth that the bath may have etched without current, mm."""
        return UPPER_FACTOR * self.rate_um_per_min / 1000.0 * self.seconds(now_s) / 60.0
