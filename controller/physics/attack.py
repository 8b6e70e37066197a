"""Chemical attack with the current off and the plate still in the bath: adds to the upper bound of the depth only. Pure."""

from __future__ import annotations

from dataclasses import dataclass

UPPER_FACTOR = 4.0
"""The metal's rate is a guess within a factor of four until a weighed coupon says better. Source: common practice, no source."""


@dataclass(slots=True)
class Soak:
    """Off-time in the bath.

    :param rate_um_per_min: guessed attack without current, see faraday.Metal.
    :param total_s: off-time in the bath so far, without the present one.
    :param since_s: monotonic time since when the plate hangs there without current, or None when it is out or etching.
    :param is_known: False when there is more of it: the controller was away, nobody knows how long.
    """

    rate_um_per_min: float
    total_s: float = 0.0
    since_s: float | None = None
    is_known: bool = True

    def begin(self, now_s: float) -> None:
        """The current is off: until a person says that the plate is out, it is taken to hang in the bath."""
        if self.since_s is None:
            self.since_s = now_s

    def end(self, now_s: float) -> None:
        """The plate is out, or the current is on again."""
        if self.since_s is not None:
            self.total_s += now_s - self.since_s
            self.since_s = None

    def seconds(self, now_s: float) -> float:
        """Return the off-time in the bath up to now, s."""
        return self.total_s + (0.0 if self.since_s is None else now_s - self.since_s)

    def upper_mm(self, now_s: float) -> float:
        """Return what the bath may have taken without current at the most, mm."""
        return UPPER_FACTOR * self.rate_um_per_min / 1000.0 * self.seconds(now_s) / 60.0
