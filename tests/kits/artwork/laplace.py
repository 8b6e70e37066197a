"""Laplace's equation in a box by finite volumes: shares nothing with the solver under test.

Cells are flat near both plates, where the field bends most. Floor: open metal behind a surface
resistance, at 1 V; lid: minus plate at 0 V; everything else insulates.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.linalg import cg

Floats = npt.NDArray[np.float64]


def floor_currents(
    is_open: npt.NDArray[np.bool_],
    cell_mm: float,
    gap_mm: float,
    wagner_mm: float,
    is_minus: npt.NDArray[np.bool_] | None = None,
) -> Floats:
    """Return the current through each cell of the floor, in units of sigma * 1 V / mm.

    :param is_open: open cells of the floor, which is the bath's whole cross-section.
    :param wagner_mm: surface resistance times conductivity.
    :param is_minus: cells of the lid that are minus plate; all of them when it is left out.
    """
    layers = _layers(cell_mm, gap_mm)
    rows, columns = is_open.shape
    count = len(layers), rows, columns
    number = np.arange(np.prod(count)).reshape(count)
    middle = (layers[1:] + layers[:-1]) / 2
    links = [
        (number[:-1], number[1:], np.broadcast_to(1.0 / middle[:, None, None], number[1:].shape)),
        *(
            (
                number[one],
                number[two],
                np.broadcast_to((layers / cell_mm**2)[:, None, None], number[one].shape),
            )
            for one, two in (
                (np.s_[:, :-1], np.s_[:, 1:]),
                (np.s_[:, :, :-1], np.s_[:, :, 1:]),
            )
        ),
    ]
    low = np.concatenate([one.ravel() for one, _, _ in links])
    high = np.concatenate([two.ravel() for _, two, _ in links])
    flow = np.concatenate([values.ravel() for _, _, values in links])
    floor = np.where(is_open, 1.0 / (wagner_mm + layers[0] / 2), 0.0)
    lid = np.where(True if is_minus is None else is_minus, 2.0 / layers[-1], 0.0)
    diagonal = np.zeros(count)
    diagonal[0] += floor
    diagonal[-1] += np.broadcast_to(lid, is_open.shape)
    every = diagonal.ravel()
    np.add.at(every, low, flow)
    np.add.at(every, high, flow)
    own = number.ravel()
    matrix: csr_array = coo_array(
        (
            np.concatenate([every, -flow, -flow]),
            (np.concatenate([own, low, high]), np.concatenate([own, high, low])),
        )
    ).tocsr()
    right = np.zeros(count)
    right[0] = floor
    likely = diags_array(1.0 / every)
    potential, failed = cg(matrix, right.ravel(), rtol=1e-5, M=likely, maxiter=3000)
    assert failed == 0
    return floor * (1.0 - potential.reshape(count)[0])


def _layers(cell_mm: float, gap_mm: float) -> Floats:
    """Return thicknesses that grow by 40 % from both plates to the middle."""
    half = [cell_mm / 4]
    while sum(half) < gap_mm / 2:
        half.append(min(half[-1] * 1.4, gap_mm / 10))
    layers = np.array([*half, *reversed(half)])
    layers *= gap_mm / layers.sum()
    return layers
