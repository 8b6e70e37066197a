"""Turns colours into grey: plain colours count as ink, and the fringes of a scan do not.

Yellow has nearly the luminance of white, so a drawing in plain colours is read by its darkest
channel. In a colour scan, the channels lie a fraction of a pixel beside each other. There the
darkest channel would make every black line wider, so a scan is read by its luminance, but where a
patch of colour is solid.
"""

from __future__ import annotations

from PIL import Image, ImageChops, ImageFilter

_BLOCK_PX = 4
_PLAIN_LEVELS = 100
"""A patch is a block of 4 x 4 pixels whose brightest and darkest channel differ by this much in
each of them. A fringe is narrower: scanners place the channels within a pixel of each other (common
practice, no source)."""

_AROUND_BLOCKS = 2
"""The shaded edge of a patch lies within so many blocks of a block that it fills."""

HALO_PX = _BLOCK_PX * (_AROUND_BLOCKS + 1)
"""Rows above and below a part of an image that decide what its rows count as."""


def aligned(row: int) -> int:
    """Return the last row at or above ``row`` on which a block starts."""
    return row // _BLOCK_PX * _BLOCK_PX


def darkest(image: Image.Image) -> Image.Image:
    """Return the darkest of the three channels, as 8-bit grey."""
    red, green, blue = image.convert("RGB").split()
    return ImageChops.darker(red, ImageChops.darker(green, blue))


def ink(image: Image.Image) -> Image.Image:
    """Return the luminance, and in patches of plain colour the darkest channel, as 8-bit grey.

    :param image: starts on a row of ``aligned``.
    """
    colours = image.convert("RGB")
    red, green, blue = colours.split()
    dark = ImageChops.darker(red, ImageChops.darker(green, blue))
    light = ImageChops.lighter(red, ImageChops.lighter(green, blue))
    plain = ImageChops.subtract(light, dark).point([0] * _PLAIN_LEVELS + [255] * 156)
    # The mean of a block is 255 only where every pixel is.
    full = plain.reduce(_BLOCK_PX).point([0] * 255 + [255])
    grey = colours.convert("L")
    if full.getbbox() is None:
        return grey
    wide = full.filter(ImageFilter.MaxFilter(2 * _AROUND_BLOCKS + 1))
    patches = wide.resize(
        (wide.width * _BLOCK_PX, wide.height * _BLOCK_PX), Image.Resampling.NEAREST
    )
    return Image.composite(dark, grey, patches.crop((0, 0, *image.size)))
