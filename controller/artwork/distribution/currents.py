"""The local current density over the mean: the one call that most callers need."""

from __future__ import annotations

import math

import numpy as np

from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.outline.chain import Floats
from controller.physics.bath_field import BathField

MOST_CELLS = 1_000_000
"""Pixels of plate and free liquid together that are solved for. Beyond, pixels are joined."""


def current_ratios(
    open_share: Floats, pixel_mm: float, field: BathField, evenness: float
) -> Floats:
    """Return the local current density over its mean over the open metal, for each pixel.

    Same shape as ``open_share``; 0 where nothing is open. A sheet with too many pixels is solved on
    a coarser one, and its pixels get what the joined ones have.

    :param open_share: open share of each pixel of the plate, 0 to 1.
    :param pixel_mm: side of a pixel.
    :param evenness: 0 uniform to 1 ohmic.
    Raises: RefusedError when nothing is open or the evenness lies outside 0 to 1.
    """
    step = joined_pixels(open_share.shape, pixel_mm, field.margin_mm)
    coarse = joined(open_share, step)
    ratios = CurrentSolver(coarse, pixel_mm * step, field).solve(evenness).ratios
    if step == 1:
        return ratios
    rows, columns = open_share.shape
    fine = np.repeat(np.repeat(ratios, step, axis=0), step, axis=1)[:rows, :columns]
    fine = np.where(open_share > 0.0, fine, 0.0)
    mean = float((fine * open_share).sum() / open_share.sum())
    return fine / mean


def joined_pixels(shape: tuple[int, ...], pixel_mm: float, margin_mm: float) -> int:
    """Return how many pixels to join along each side, so that the bath has few enough."""
    rows, columns = (side + 2.0 * margin_mm / pixel_mm for side in shape)
    return max(1, math.ceil(math.sqrt(rows * columns / MOST_CELLS)))


def joined(open_share: Floats, step: int) -> Floats:
    """Return the means over squares of ``step`` pixels; beyond the plate nothing is open."""
    if step == 1:
        return open_share
    rows, columns = open_share.shape
    padded = np.pad(open_share, ((0, -rows % step), (0, -columns % step)))
    means: Floats = padded.reshape(
        padded.shape[0] // step, step, padded.shape[1] // step, step
    ).mean((1, 3))
    return means
