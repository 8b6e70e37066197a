"""Makes films in this process, and measures them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from controller.artwork.film.make import film_file
from controller.artwork.film.options import FilmOptions
from controller.artwork.film.result import FilmResult
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure

BARE: dict[str, Any] = {"border_mm": 0.0, "with_marks": False, "mirrored": False}
"""The artwork alone, the right way round."""


def film(artwork: Path, file_format: str = "pdf", **options: Any) -> tuple[FilmResult, Path]:
    """Return the figures of a film and its path, beside the artwork."""
    out = io.BytesIO()
    wanted = FilmOptions(**{"etch_factor": 1.0, **options, "file_format": file_format})
    result = FilmResult.from_dict(film_file(artwork, MeasureOptions(), wanted, out))
    path = artwork.with_name(f"film.{file_format}")
    path.write_bytes(out.getvalue())
    return result, path


def measured(path: Path, **options: Any) -> ArtworkMeasure:
    """Return the measurement of a film."""
    return measure_file(path, MeasureOptions(**options))
