"""A film, ready to be written: the picture of the artwork, and where it lies."""

from __future__ import annotations

from dataclasses import dataclass

from controller.artwork.film.layout import Box, Layout
from controller.artwork.film.sheet_walk import FilmPicture


@dataclass(frozen=True)
class Page:
    """A film.

    :param x0_mm, y0_mm: place of the centre of the picture's first pixel.
    :param px_mm: side of a pixel of the picture.
    :param mirrored: printed the wrong way round.
    :param negative: black is resist, in place of what is etched.
    """

    layout: Layout
    picture: FilmPicture
    x0_mm: float
    y0_mm: float
    px_mm: float
    mirrored: bool
    negative: bool

    @property
    def ground(self) -> tuple[Box, ...]:
        """What is black on a negative but for the openings: plate and tab."""
        tab = self.layout.tab
        return (self.layout.plate,) if tab is None else (self.layout.plate, tab)
