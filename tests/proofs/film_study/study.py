"""One row of the study: an artwork, etched with and without compensation."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np

from controller.artwork.film.client import make_film
from controller.artwork.film.options import FilmOptions
from controller.artwork.film.result import FilmResult
from controller.artwork.options import MeasureOptions
from controller.artwork.workplaces import Workplace
from tests.kits.artwork import shapes
from tests.proofs.film_study.artworks import Artwork
from tests.proofs.film_study.etching import Floats, edge_errors_mm, etched, lines_left

DEPTH_MM, ETCH_FACTOR = 0.25, 1.2
WRONG_ETCH_FACTORS = (0.7, 2.0)
DPI = 600.0
WITHIN_MM = 0.02


@dataclass(frozen=True)
class StudyRow:
    """What came out.

    :param left, left_plain: resist lines that stay with the film, and without compensation.
    :param errors_mm, errors_plain_mm: of the edges of wide features, outward.
    """

    HEAD: ClassVar[str] = (
        "| artwork | lines | stay, as drawn | stay, film | wide edges, as drawn | "
        "wide edges, film |\n|---|---|---|---|---|---|"
    )

    name: str
    lines: int
    left: int
    left_plain: int
    errors_mm: Floats
    errors_plain_mm: Floats
    film: FilmResult

    def line(self) -> str:
        """Return the row in Markdown."""
        return (
            f"| {self.name} | {self.lines} | {self.left_plain} | {self.left} | "
            f"{_spread(self.errors_plain_mm)} | {_spread(self.errors_mm)} |"
        )


def _spread(errors_mm: Floats) -> str:
    """Return median and 99th percentile of what is off, and the share within 0.02 mm."""
    if not len(errors_mm):
        return "-"
    near = float((np.abs(np.nan_to_num(errors_mm, nan=np.inf)) <= WITHIN_MM).mean())
    known = errors_mm[np.isfinite(errors_mm)]
    if not len(known):
        return f"no edge left / {100.0 * near:.1f} %"
    return f"{np.median(known):+.3f} / {100.0 * near:.1f} %"


def studied(
    artwork: Artwork,
    place: Path,
    true_etch_factor: float = ETCH_FACTOR,
    film_etch_factor: float = ETCH_FACTOR,
) -> StudyRow:
    """Return how an artwork comes out with and without a film made for it."""
    drawn = shapes.save(place / "drawn.png", artwork.drawn, DPI)
    options = FilmOptions(
        DEPTH_MM, film_etch_factor, border_mm=0.0, with_marks=False, mirrored=False
    )
    found, content = make_film(
        drawn, MeasureOptions(), options, workplace=Workplace(accept_unconfined=True)
    )
    film = place / "film.pdf"
    film.write_bytes(content)
    undercut_mm = DEPTH_MM / film_etch_factor
    plain, corrected = (etched(path, DEPTH_MM, true_etch_factor) for path in (drawn, film))
    return StudyRow(
        artwork.name,
        len(artwork.lines),
        lines_left(artwork, corrected),
        lines_left(artwork, plain),
        edge_errors_mm(artwork.drawn, corrected, undercut_mm),
        edge_errors_mm(artwork.drawn, plain, undercut_mm),
        found,
    )
