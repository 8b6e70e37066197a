"""Words as pictures, which any film can hold without a font."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from controller.artwork.film.layout import LETTER_MM
from controller.artwork.film.sheet_walk import FilmPicture

LETTER_PX = 60
LETTER_PIXEL_MM = LETTER_MM / LETTER_PX
_ROOM_PX = 4


def lettered(words: str) -> FilmPicture:
    """Return the words in levels, 255 where they are printed, with a little room around them."""
    font = ImageFont.load_default(size=LETTER_PX)
    left, top, right, bottom = font.getbbox(words)
    size = (int(right - left) + 2 * _ROOM_PX, int(bottom - top) + 2 * _ROOM_PX)
    image = Image.new("L", size)
    ImageDraw.Draw(image).text((_ROOM_PX - left, _ROOM_PX - top), words, fill=255, font=font)
    return np.asarray(image)
