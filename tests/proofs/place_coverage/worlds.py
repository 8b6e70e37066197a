"""Plates whose current follows laws that the planner does not know, solved by Newton's method.

The metal's surface takes a voltage that depends on the local current: in proportion (linear), by
its logarithm (Tafel), or rising without bound towards a limiting current (mass transfer). How
strong that is follows from the shop figure alone: how much deeper the edge of the plate's own
floor is than its middle. The planner's scale of evenness plays no part in it.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dctn, idctn
from scipy.sparse.linalg import LinearOperator, cg

from controller.physics.places import EVENNESS_GRID, Place

Floats = NDArray[np.float64]
Rect = tuple[int, int, int, int]
"""Left, top, right, bottom, mm."""

EVENNESS_SCALE_MM = 10.0
"""Wagner length at an evenness of 0.5: the planner's scale, for the planner's own ratios."""

LAWS = ("linear", "tafel", "mass-transfer")
LIMIT_OVER_MEAN = 2.5
"""Limiting current of mass transfer over the mean current."""

PLATES: dict[str, tuple[Rect, ...]] = {
    "one field": ((20, 10, 40, 30),),
    "field and lines": ((8, 12, 22, 28), *((30 + 6 * i, 8, 31 + 6 * i, 32) for i in range(5))),
    "band": ((8, 15, 52, 24),),
    "two fields": ((5, 5, 20, 35), (30, 12, 45, 27)),
    "wide floor and line": ((5, 5, 40, 35), (50, 5, 51, 35)),
}
"""Openings on a plate of 60 x 40 mm; the first is the widest floor."""

PLATE_MM = (60, 40)


@dataclass(frozen=True, slots=True)
class Bath:
    """Gap to the minus plate and free liquid around the plate, mm."""

    gap_mm: float
    margin_mm: int


class Cell:
    """One plate in one bath, on a grid of 1 mm."""

    def __init__(self, plate: str, bath: Bath) -> None:
        margin, (width, height) = bath.margin_mm, PLATE_MM
        mask = np.zeros((height + 2 * margin, width + 2 * margin), bool)
        kind = np.zeros(mask.shape, int)
        for i, (left, top, right, bottom) in enumerate(PLATES[plate]):
            where = np.s_[top + margin : bottom + margin, left + margin : right + margin]
            mask[where], kind[where] = True, i + 1
        self._mask = mask
        self._metal = np.flatnonzero(mask.ravel())
        self._filter = _filter_mm(mask.shape, bath.gap_mm)
        left, top, right, bottom = PLATES[plate][0]
        row, column = (top + bottom) // 2 + margin, (left + right) // 2 + margin
        index = np.cumsum(mask.ravel()) - 1
        self.middle = int(index[row * mask.shape[1] + column])
        self.edge = int(index[row * mask.shape[1] + left + margin])
        self.lines = np.flatnonzero(
            [_width(PLATES[plate][k - 1]) < 3 for k in kind.ravel()[self._metal]]
        )
        judged = self.planned(0.5)
        self.deepest = np.argsort(judged)[-max(1, len(judged) // 20) :]

    def _potential(self, current: Floats) -> Floats:
        """Return potential * conductivity at the metal, mm times the unit of the current."""
        field = np.zeros(self._mask.size)
        field[self._metal] = current
        spread = dctn(field.reshape(self._mask.shape), norm="ortho")
        return idctn(self._filter * spread, norm="ortho").ravel()[self._metal]  # type: ignore[no-any-return]

    def planned(self, evenness: float) -> Floats:
        """Return current over its mean with one surface resistance, as the planner assumes."""
        if evenness == 0.0:
            return np.ones(len(self._metal))
        wagner_mm = EVENNESS_SCALE_MM * (1.0 - evenness) / evenness
        return self.current("linear", max(wagner_mm, 0.02))

    def current(self, law: str, wagner_mm: float) -> Floats:
        """Return the current over its mean under a law.

        :param wagner_mm: slope of the surface's voltage at the mean current, times conductivity.
        """
        voltage, slope = _law(law, wagner_mm)
        count = len(self._metal)
        current, total = np.ones(count), float(count)
        for _ in range(30):
            off = voltage(current) + self._potential(current)
            slopes = slope(current)

            def applied(step: Floats, slopes: Floats = slopes) -> Floats:
                return slopes * step + self._potential(step)

            operator = LinearOperator((count, count), matvec=applied, dtype=float)
            # The total current is given: solve for the step with and without the cell's voltage.
            push, _ = cg(operator, np.ones(count), rtol=1e-6, maxiter=400)
            pull, _ = cg(operator, -off, rtol=1e-6, maxiter=400)
            raised = (total - float(current.sum()) - float(pull.sum())) / float(push.sum())
            step = pull + raised * push
            # Never past zero or the limiting current.
            room = min(1.0, *(0.7 * current[step < 0] / -step[step < 0]), 1.0)
            if law == "mass-transfer":
                up = step > 0
                room = min(room, *(0.7 * (LIMIT_OVER_MEAN - current[up]) / step[up]), 1.0)
            current = current + room * step
            if float(np.abs(step).max()) < 1e-4:
                break
        return current / float(current.mean())

    def excess(self, current: Floats) -> float:
        """Return how much deeper the edge of the floor is than its middle, as a share."""
        return float(current[self.edge] / current[self.middle]) - 1.0

    def with_excess(self, law: str, excess: float) -> Floats:
        """Return the current under a law whose strength gives this excess, or the most it can."""
        low, high = math.log(0.05), math.log(3000.0)
        current = np.ones(len(self._metal))
        for _ in range(9):
            middle = 0.5 * (low + high)
            current = self.current(law, math.exp(middle))
            if self.excess(current) > excess:
                low = middle
            else:
                high = middle
        return current

    def at_places(self, current: Floats) -> dict[str, float]:
        """Return the depth over the mean depth at each kind of place."""
        found = {
            "widest-floor-middle": float(current[self.middle]),
            "widest-floor-edge": float(current[self.edge]),
            "deepest-twentieth": float(current[self.deepest].mean()),
        }
        if len(self.lines):
            found["lines-1-to-3-mm"] = float(current[self.lines].mean())
        return found

    def places(self) -> tuple[Place, ...]:
        """Return the places as the planner gets them."""
        rows = [self.at_places(self.planned(evenness)) for evenness in EVENNESS_GRID]
        return tuple(
            Place(name, 1.0, 1.0, 0.1, tuple(row[name] for row in rows)) for name in rows[0]
        )


def _law(
    law: str, wagner_mm: float
) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """Return a law's voltage (times conductivity) and its slope, for currents over their mean."""
    if law == "linear":
        return lambda j: wagner_mm * j, lambda j: np.full_like(j, wagner_mm)
    if law == "tafel":
        return lambda j: wagner_mm * np.log(j), lambda j: wagner_mm / j
    scale = wagner_mm * (LIMIT_OVER_MEAN - 1.0)
    return (
        lambda j: -scale * np.log(1.0 - j / LIMIT_OVER_MEAN),
        lambda j: scale / (LIMIT_OVER_MEAN - j),
    )


def _filter_mm(shape: tuple[int, int], gap_mm: float) -> Floats:
    """Return tanh(k H) / k on the cosines of a box with walls that carry no current."""
    rows = np.pi * np.arange(shape[0]) / shape[0]
    columns = np.pi * np.arange(shape[1]) / shape[1]
    k = np.hypot(rows[:, None], columns[None, :])
    k[0, 0] = 1.0
    found: Floats = np.tanh(k * gap_mm) / k
    found[0, 0] = gap_mm
    return found


def _width(rect: Rect) -> int:
    left, top, right, bottom = rect
    return min(right - left, bottom - top)


@functools.cache
def edge_excess(evenness: float) -> float:
    """Return how much deeper a 20 mm floor is at its edge than in the middle, as a share."""
    cell = Cell("one field", Bath(60.0, 30))
    return cell.excess(cell.planned(evenness))
