"""What evens out the current at the metal's surface in the rehearsal bath.

Two processes share it. Charge transfer follows Butler and Volmer with a transfer coefficient of
1/2, an asinh; its resistance falls with the current density. Mass transfer follows -ln(1 - i/i_lim)
and its resistance rises. So the resistance differs over the plate, which one constant cannot give.

Potentials times the bath's conductivity over the mean current density are lengths, in mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
import numpy.typing as npt

from controller.errors import RefusedError

Floats = npt.NDArray[np.float64]

SCALE_MM = 10.0
"""Surface resistance times conductivity, mm, at which the evenness is 0.5. A choice of scale."""

_STEEPEST = 0.9
"""From this share of the limiting current on, another reaction takes over: the tangent goes on."""


@dataclass(frozen=True, slots=True)
class Kinetics:
    """The law of the surface. The defaults are those of the rehearsal cell at 39 A/dm2.

    :param evenness: 1 / (1 + R sigma / 10 mm), where R is the surface resistance at the mean
        current density, and sigma the conductivity of the bath. 0 uniform, 1 ohmic.
    :param exchange: exchange current density over the mean current density.
    :param limit: limiting current density over the mean one, above 1.
    :param mass_transfer: share of mass transfer in R, 0 to 1.
    Raises: RefusedError for an evenness outside 0 to 1.
    """

    evenness: float
    exchange: float = 0.05
    limit: float = 2.5
    mass_transfer: float = 0.3

    def __post_init__(self) -> None:
        if not 0.0 <= self.evenness <= 1.0:
            raise RefusedError("rehearsal.evenness", field="evenness", evenness=self.evenness)

    @property
    def resistance_mm(self) -> float:
        """R sigma at the mean current density, mm."""
        if self.evenness == 0.0:
            return inf
        return SCALE_MM * (1.0 - self.evenness) / self.evenness

    def polarisation(self, current: Floats) -> tuple[Floats, Floats]:
        """Return polarisation and its derivative, both in mm.

        :param current: local current density over the mean one, 0 or more.
        """
        base = 2.0 * self.exchange
        transfer = (1.0 - self.mass_transfer) * self.resistance_mm * np.hypot(1.0, base)
        moving = self.mass_transfer * self.resistance_mm * (self.limit - 1.0)
        curved = np.minimum(current, _STEEPEST * self.limit)
        slope = moving / (self.limit - curved)
        value = transfer * np.arcsinh(current / base) + (current - curved) * slope
        value -= moving * np.log1p(-curved / self.limit)
        return value, transfer / np.hypot(current, base) + slope
