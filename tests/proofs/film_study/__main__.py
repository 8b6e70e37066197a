"""Prints the study: ``python -m tests.proofs.film_study``."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.proofs.film_study.artworks import ARTWORKS
from tests.proofs.film_study.study import (
    DEPTH_MM,
    ETCH_FACTOR,
    WRONG_ETCH_FACTORS,
    StudyRow,
    studied,
)


def main() -> None:
    """Print both tables."""
    with tempfile.TemporaryDirectory() as place:
        for true_etch_factor in (ETCH_FACTOR, *WRONG_ETCH_FACTORS):
            print(f"\nFilm for {DEPTH_MM} mm at {ETCH_FACTOR}, etched at {true_etch_factor}:\n")
            print(StudyRow.HEAD)
            for make in ARTWORKS:
                print(studied(make(), Path(place), true_etch_factor).line())


if __name__ == "__main__":
    main()
