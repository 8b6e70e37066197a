"""Draws the preview: what will be etched, the undercut, and the resist lines that will be lost.

The three kinds differ in pattern as well as in colour: plain dark, light with a black edge line,
stripes in a black ring.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from controller.artwork import limits
from controller.artwork.distances.gaps import Gaps
from controller.artwork.outline.chain import Bools, Cover, Ints
from controller.artwork.outline.masks import neighbours
from controller.texts import text

_RESIST, _ETCHED, _UNDERCUT = (247, 247, 242), (0, 73, 116), (140, 205, 240)
_LOST, _LOST_STRIPE, _LINE = (213, 94, 0), (255, 255, 255), (0, 0, 0)
"""Blue, sky blue and vermilion after Okabe and Ito, "Color Universal Design" (2008). The blue is
darkened for contrast."""

_SMALL_SIDE_PX = 800
_LEGEND_PX = 26
_RING_PX = 7


class PreviewCanvas:
    """Collects blocks of grid pixels, tile by tile.

    :param block: grid pixels per preview pixel; tiles start at multiples of it.
    """

    def __init__(self, height_px: int, width_px: int) -> None:
        self.block = max(1, -(-max(height_px, width_px) // limits.PREVIEW_SIDE_PX))
        shape = -(-height_px // self.block), -(-width_px // self.block)
        self._open = np.zeros(shape, np.float32)
        self._grown = np.zeros(shape, np.bool_)
        self._enlarge = max(1, _SMALL_SIDE_PX // max(shape))
        self._lost = np.zeros((shape[0] * self._enlarge, shape[1] * self._enlarge), np.bool_)

    def add(self, top: int, left: int, cover: Cover, full: int, grown: Bools) -> None:
        """Add a tile: its coverage, and which of its pixels the undercut reaches."""
        block = self.block
        share = _block_sums(cover, block) / block**2 / full
        reached = 2 * _block_sums(grown, block) >= block**2
        place = (
            slice(top // block, top // block + share.shape[0]),
            slice(left // block, left // block + share.shape[1]),
        )
        self._open[place], self._grown[place] = share, reached

    def add_lost(self, lost: Gaps) -> None:
        """Add resist that is lost. Each sample is drawn as a stroke across it."""
        if not len(lost.x_px):
            return
        scale, (height, width) = self._enlarge / self.block, self._lost.shape
        steps = int(np.ceil(float(lost.reach_px.max()) * scale)) * 2 + 2
        for part in np.linspace(-0.5, 0.5, steps):
            along = part * lost.reach_px
            col = ((lost.x_px + 0.5 + np.where(lost.along_y, 0.0, along)) * scale).astype(np.intp)
            row = ((lost.y_px + 0.5 + np.where(lost.along_y, along, 0.0)) * scale).astype(np.intp)
            inside = (col >= 0) & (col < width) & (row >= 0) & (row < height)
            self._lost[row[inside], col[inside]] = True

    def save(
        self,
        path: Path | BinaryIO,
        undercut_mm: float | None,
        px_mm: float,
        lost_count: int,
        specks_px: Ints | None = None,
    ) -> None:
        """Write the PNG.

        :param specks_px: x and y of specks that may be dust, on the measuring grid; (count, 2).
        """
        enlarge = self._enlarge
        share = np.kron(self._open, np.ones((enlarge, enlarge), np.float32))
        grown = np.kron(self._grown, np.ones((enlarge, enlarge), np.bool_)) | (share >= 0.5)
        picture = _mixed(share)
        if undercut_mm is not None:
            picture[grown & (share < 0.5)] = _UNDERCUT
            picture[grown & neighbours(~grown)] = _LINE
        near = neighbours(self._lost) if self._lost.any() else self._lost
        ring = neighbours(near) & ~near
        row, col = np.indices(share.shape)
        stripe = (row + col) // 3 % 2 == 0
        picture[near & stripe], picture[near & ~stripe] = _LOST, _LOST_STRIPE
        picture[ring] = _LINE
        scale = enlarge / self.block
        places = [] if specks_px is None else [(x * scale, y * scale) for x, y in specks_px]
        image = _with_legend(picture, undercut_mm, lost_count, self.block / enlarge * px_mm, places)
        image.quantize(64).save(path, format="PNG", optimize=True)


def _block_sums(values: Cover | Bools, block: int) -> npt.NDArray[np.uint32]:
    """Return the sums over blocks. At the lower and right edge the nearest pixels fill them up.

    Whole rows are added first, which is many times faster than to add a few pixels at a time.
    """
    missing = ((0, -values.shape[0] % block), (0, -values.shape[1] % block))
    filled: npt.NDArray[np.uint8 | np.bool] = np.pad(values, missing, mode="edge")
    rows = filled.reshape(-1, block, filled.shape[1]).sum(1, dtype=np.uint32)
    sums: npt.NDArray[np.uint32] = rows.reshape(len(rows), -1, block).sum(2, dtype=np.uint32)
    return sums


def _mixed(share: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    resist, etched = np.array(_RESIST, np.float32), np.array(_ETCHED, np.float32)
    return np.rint(resist + (etched - resist) * share[:, :, None]).astype(np.uint8)


def _with_legend(
    picture: npt.NDArray[np.uint8],
    undercut_mm: float | None,
    lost_count: int,
    px_mm: float,
    specks: Sequence[tuple[float, float]],
) -> Image.Image:
    entries = [("etched", text("artwork.preview.etched"))]
    if undercut_mm is not None:
        undercut = text("artwork.preview.undercut", undercut_mm=undercut_mm)
        entries += [
            ("undercut", undercut),
            ("lost", text("artwork.preview.lost", count=lost_count)),
        ]
    if len(specks):
        entries.append(("speck", text("artwork.preview.specks", count=len(specks))))
    length_mm = next(
        (mm for mm in (100, 50, 20, 10, 5, 2, 1, 0.5) if mm / px_mm <= 0.3 * picture.shape[1]), 0.2
    )
    entries.append(("scale", text("artwork.preview.scale", length_mm=length_mm)))
    font = ImageFont.load_default(size=14)
    width = max(picture.shape[1], 360)
    height = picture.shape[0] + _LEGEND_PX * len(entries) + 8
    image = Image.new("RGB", (width, height), _RESIST)
    image.paste(Image.fromarray(picture), (0, 0))
    draw = ImageDraw.Draw(image)
    for x, y in specks:
        _ring(draw, float(x), float(y))
    draw.line((0, picture.shape[0], width, picture.shape[0]), fill=_LINE)
    for number, (kind, words) in enumerate(entries):
        y = picture.shape[0] + 6 + number * _LEGEND_PX
        swatch_px = round(length_mm / px_mm) if kind == "scale" else 30
        _swatch(draw, kind, y, swatch_px)
        draw.text((16 + swatch_px, y + 2), words, fill=_LINE, font=font)
    return image


def _ring(draw: ImageDraw.ImageDraw, x: float, y: float) -> None:
    """Draw a light ring with dark rims: it shows on open metal and on resist."""
    for radius, colour, width in ((_RING_PX + 1, _LINE, 4), (_RING_PX, _RESIST, 2)):
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=colour, width=width)


def _swatch(draw: ImageDraw.ImageDraw, kind: str, y: int, width: int) -> None:
    box = (8, y, 8 + width, y + 18)
    if kind == "scale":
        draw.line((8, y + 10, 8 + width, y + 10), fill=_LINE, width=2)
        for x in (8, 8 + width):
            draw.line((x, y + 4, x, y + 16), fill=_LINE, width=2)
        return
    if kind == "speck":
        _ring(draw, 8 + width / 2, y + 9)
        return
    draw.rectangle(
        box,
        fill={"etched": _ETCHED, "undercut": _UNDERCUT, "lost": _LOST_STRIPE}[kind],
        outline=_LINE,
    )
    if kind == "lost":
        for x in range(8, 8 + width, 8):
            draw.line((x, y + 17, min(x + 8, 8 + width), y + 1), fill=_LOST, width=3)
