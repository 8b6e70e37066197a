"""Draws the relief for the eye: plain grey metal with light from the top left, a scale, words.

Only shades of grey are used, so that nothing depends on seeing colours.
"""

from __future__ import annotations

import math
from typing import BinaryIO

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from controller.artwork.relief.grid import Singles
from controller.texts import text
from controller.units import MM_PER_INCH

_AZIMUTH, _ALTITUDE = math.radians(315.0), math.radians(45.0)
"""Light from the top left, at half height: people see relief right with it, and pits as bumps with
light from below. Common practice of maps, no source."""

_STRETCH = 1.5
"""Slopes are drawn this much steeper than they are."""

_SMALL_SIDE_PX, _MOST_ENLARGED = 900, 8
_LEGEND_PX, _LEAST_WIDTH_PX = 24, 420
_PAPER, _INK = 248, 0


def write_picture(
    file: BinaryIO, depth_mm: Singles, pixel_mm: float, target_mm: float, washed_mm2: float
) -> None:
    """Write the picture as PNG, in grey, with its size in mm."""
    enlarge = min(_MOST_ENLARGED, max(1, _SMALL_SIDE_PX // max(depth_mm.shape)))
    heights = Image.fromarray(-depth_mm)
    if enlarge > 1:
        size = (heights.width * enlarge, heights.height * enlarge)
        heights = heights.resize(size, Image.Resampling.BICUBIC)
    drawn_mm = pixel_mm / enlarge
    grey = shaded(np.asarray(heights, np.float32), drawn_mm)
    image = _with_legend(grey, drawn_mm, target_mm, float(depth_mm.max()), washed_mm2)
    dpi = MM_PER_INCH / drawn_mm
    image.save(file, format="PNG", optimize=True, dpi=(dpi, dpi))


def shaded(height_mm: Singles, pixel_mm: float) -> np.typing.NDArray[np.uint8]:
    """Return the grey of each pixel: bright where it faces the light, darker the deeper it is."""
    padded = np.pad(height_mm, 1, mode="edge")
    to_right = (padded[1:-1, 2:] - padded[1:-1, :-2]) * np.float32(_STRETCH / (2.0 * pixel_mm))
    to_below = (padded[2:, 1:-1] - padded[:-2, 1:-1]) * np.float32(_STRETCH / (2.0 * pixel_mm))
    # The light's direction, x to the right, y down, z towards the eye.
    light_x = math.sin(_AZIMUTH) * math.cos(_ALTITUDE)
    light_y = -math.cos(_AZIMUTH) * math.cos(_ALTITUDE)
    light_z = math.sin(_ALTITUDE)
    facing = (light_z - light_x * to_right - light_y * to_below) / np.sqrt(
        1.0 + np.square(to_right) + np.square(to_below)
    )
    deepest = max(float(-height_mm.min()), 1e-9)
    matt = 1.0 - 0.42 * np.clip(-height_mm / deepest, 0.0, 1.0)
    grey = 28.0 + 262.0 * np.clip(facing, 0.0, 1.0) * matt
    drawn: np.typing.NDArray[np.uint8] = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    return drawn


def _with_legend(
    grey: np.typing.NDArray[np.uint8],
    pixel_mm: float,
    target_mm: float,
    deepest_mm: float,
    washed_mm2: float,
) -> Image.Image:
    height, width = grey.shape
    length_mm = next(
        (mm for mm in (100, 50, 20, 10, 5, 2, 1, 0.5) if mm / pixel_mm <= 0.3 * width), 0.2
    )
    lines = [
        text("artwork.relief.legend_depth", target_mm=target_mm, deepest_mm=deepest_mm),
        text("artwork.relief.legend_shades"),
        text("artwork.relief.legend_stretch", stretch=_STRETCH),
    ]
    if washed_mm2 > 0.0:
        lines.insert(1, text("artwork.relief.legend_washed", washed_mm2=washed_mm2))
    font = ImageFont.load_default(size=14)
    left_px = max(8, (_LEAST_WIDTH_PX - width) // 2 if width < _LEAST_WIDTH_PX else 8)
    texts_px = max(int(font.getlength(line)) for line in lines) + 2 * 8
    shape = max(width, texts_px), height + _LEGEND_PX * (len(lines) + 1) + 14
    image = Image.new("L", shape, _PAPER)
    image.paste(Image.fromarray(grey), ((shape[0] - width) // 2, 0))
    draw = ImageDraw.Draw(image)
    y = height + 14
    end = left_px + round(length_mm / pixel_mm)
    draw.line((left_px, y + 4, end, y + 4), fill=_INK, width=2)
    for x in (left_px, end):
        draw.line((x, y - 2, x, y + 10), fill=_INK, width=2)
    scale = text("artwork.preview.scale", length_mm=length_mm)
    draw.text((end + 10, y - 5), scale, fill=_INK, font=font)
    for number, line in enumerate(lines, start=1):
        draw.text((8, y - 5 + number * _LEGEND_PX), line, fill=_INK, font=font)
    return image
