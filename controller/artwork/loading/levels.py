"""Turns grey levels into coverage.

Finds which levels are resist and which are open, how many shades lie between them, and how noisy
the flat parts are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.artwork.loading.picture import Picture
from controller.errors import RefusedError

_LEAST_CONTRAST = 60
"""Levels between the dark and the light parts. A fainter scan does not show where half coverage
is."""

_NEIGHBOURHOOD = 24
"""Levels around a flat part that are searched for noise."""

_LEAST_NOISE_LEVELS = 6

_SCAN_NOISE_FRACTION = 0.25
"""Share of a flat part that is off its level in a scan. Fewer pixels are the shading of edges that
lie nearly along the grid. JPEG is exempt: its compression noise keeps to the blocks along edges."""

_FEW_LEVELS = 90
"""Most levels of a coarse shading: 8 x 8 subsamples make 65."""

_SUBSAMPLES = (4, 9, 16, 25, 36)
"""Subsamples per pixel by which a coarse shading is recognised: its levels are multiples of 255
over one of these, within one level. With more subsamples any level would fit."""


@dataclass(frozen=True)
class Levels:
    """How grey levels become coverage.

    :param table: coverage 0 to 255 for each grey level, 255 open.
    :param threshold_level: grey level at half coverage.
    :param quality: ``grey``, ``one_bit``, ``noisy`` or ``drawing``.
    :param shades: grey levels in use, or 256 when there are many.
    """

    table: npt.NDArray[np.uint8]
    threshold_level: float
    quality: str
    shades: int

    def step_px(self, reduction: int) -> float:
        """Return the step in px in which the shades can place an edge.

        :param reduction: side of the blocks of pixels that are averaged.
        """
        shades = (self.shades - 1) * reduction**2 + 1
        return 0.0 if shades > _FEW_LEVELS else float((shades - 1) ** -0.5)

    def noise_range_px(self, reduction: int) -> tuple[float, float]:
        """Return the least and the largest scatter expected of contour vertices, one sigma, in px.

        Source: measured on rotated lines and discs with 2, 5, 17, 65 and 256 shades, and on JPEG
        files of quality 75 to 95.
        """
        step = self.step_px(reduction)
        if step > 0.0:
            scatter = 0.3 if step == 1.0 else 0.28 * step**1.5
            return scatter, 1.3 * scatter
        return (0.01, 0.1) if self.quality == "noisy" else (0.003, 0.012)


def find_levels(picture: Picture, invert: bool) -> Levels:
    """Return how the picture's grey levels become coverage.

    Raises: RefusedError for a picture without contrast.
    """
    if picture.histogram is None:
        return Levels(_table(0, 255, 0, invert), 127.5, "drawing", picture.shades)
    counts = picture.histogram.astype(np.float64)
    dark, light = counts[:128], counts[128:]
    black = _flat(dark, 0)
    white = 255 - _flat(light[::-1], 0)
    if white - black < _LEAST_CONTRAST and dark.sum() > 0 and light.sum() > 0:
        raise RefusedError(
            "artwork.contrast",
            field="file",
            dark_level=black,
            light_level=white,
            least_levels=_LEAST_CONTRAST,
        )
    least_share = 0.0 if picture.file_format == "JPEG" else _SCAN_NOISE_FRACTION
    dead = max(_noise_band(counts, flat, black, white, least_share) for flat in (black, white))
    between = counts[black + 1 : white]
    one_bit = between.sum() == 0
    quality = "noisy" if dead else ("one_bit" if one_bit else "grey")
    shades = 2 if one_bit else (256 if dead else _shades(between, black, white))
    return Levels(_table(black, white, dead, invert), (black + white) / 2.0, quality, shades)


def _flat(counts: npt.NDArray[np.float64], extreme: int) -> int:
    """Return the level of the flat part in one half of the levels, or the end of that half.

    The end is returned when no level dominates: thin lines need not cover any pixel wholly.

    :param counts: of the half's levels.
    :param extreme: index of the half's end.
    """
    if counts[extreme] >= 0.01 * counts.sum():
        return extreme
    level = int(counts.argmax())
    around = counts[max(0, level - 12) : level + 13].sum()
    return level if around >= 0.5 * counts.sum() else extreme


def _shades(between: npt.NDArray[np.float64], black: int, white: int) -> int:
    """Return how many levels shade the edges, or 256 when they are not recognised as few."""
    used = black + 1 + np.flatnonzero(between)
    part = (used - black) / (white - black)
    for count in _SUBSAMPLES:
        off = np.abs(part * count - np.rint(part * count)) * (white - black) / count
        if between[used - black - 1][off > 1.0].sum() <= 0.005 * between.sum():
            return count + 1
    return 256


def _noise_band(
    counts: npt.NDArray[np.float64], flat: int, black: int, white: int, least_share: float
) -> int:
    """Return how many levels around a flat part are its noise, 0 for a clean one.

    Noise fills many levels, most of all the nearest. Shaded edges fill all levels evenly; straight
    edges along the grid fill a few.
    """
    low, high = max(0, flat - _NEIGHBOURHOOD), min(255, flat + _NEIGHBOURHOOD)
    levels = np.arange(low, high + 1)
    near = counts[low : high + 1]
    away = np.abs(levels - flat)
    middle = counts[black + _NEIGHBOURHOOD + 1 : white - _NEIGHBOURHOOD]
    edges = middle.mean() * (high - low) if len(middle) else 0.0
    around = near[away > 0]
    is_noise = (
        around.sum() > least_share * near.sum()
        and around.sum() > 3.0 * edges + 5e-4 * counts.sum()
        and np.count_nonzero(around) >= _LEAST_NOISE_LEVELS
        and near[(away >= 1) & (away <= 4)].sum() > near[(away >= 9) & (away <= 16)].sum()
    )
    if not is_noise:
        return 0
    spread = np.sqrt((near * away**2).sum() / near.sum())
    return int(min(_NEIGHBOURHOOD, np.ceil(3.0 * spread) + 1))


def _table(black: int, white: int, dead: int, invert: bool) -> npt.NDArray[np.uint8]:
    """Return coverage by grey level. Levels within ``dead`` of a flat part count as that part."""
    level = np.arange(256, dtype=np.float64)
    cover = np.clip((white - level) / max(white - black, 1), 0.0, 1.0)
    if dead:
        margin = dead / max(white - black, 1)
        cover = np.where(cover <= margin, 0.0, np.where(cover >= 1.0 - margin, 1.0, cover))
    if invert:
        cover = 1.0 - cover
    return np.rint(cover * 255.0).astype(np.uint8)
