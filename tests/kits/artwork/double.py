"""Stands in for measuring, and takes no time; and bytes that are no artwork."""

from __future__ import annotations

import hashlib
import threading
from pathlib import Path
from typing import Any

from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, LinePlace
from controller.texts import Message

PNG = b"\x89PNG\r\n\x1a\n"
"""Signature. Source: W3C PNG specification, section 5.2."""


def measured(sha256: str = "9a" * 32, **changes: Any) -> ArtworkMeasure:
    """A made-up measurement of a disc of 10 mm radius with a line beside it."""
    values: dict[str, Any] = {
        "area_mm2": 314.0,
        "area_uncertainty_mm2": 0.3,
        "edge_mm": 62.8,
        "edge_uncertainty_mm": 0.2,
        "growth_mm2": ((0.0, 314.0), (0.5, 346.0), (1.0, 380.0)),
        "growth_uncertainty_mm2": ((0.0, 0.3), (0.5, 0.4), (1.0, 0.5)),
        "width_mm": 30.0,
        "height_mm": 30.0,
        "open_fraction": 314.0 / 900.0,
        "open_fields": 1,
        "narrowest_resist": LinePlace(5.0, 6.0, 0.4),
        "narrowest_open": LinePlace(7.0, 8.0, 0.3, 2.0),
        "undercut_mm": 1.0,
        "lost_lines": (LinePlace(5.0, 6.0, 0.4, 3.0), LinePlace(9.0, 9.0, 1.5)),
        "lost_line_count": 2,
        "copies": 1,
        "inverted": False,
        "threshold_level": 127.5,
        "quality": "grey",
        "file_format": "PNG",
        "page": 1,
        "width_px": 709,
        "height_px": 709,
        "dpi": 600.0,
        "grid_dpi": 600.0,
        "scale_source": Message("artwork.scale_source.file_dpi"),
        "sha256": sha256,
        "version": "1",
    }
    return ArtworkMeasure(**{**values, **changes})


class Measuring:
    """Measures nothing, notes what it was asked, writes a picture, and can be held or made to fail.

    :param error: raised instead.
    """

    def __init__(self) -> None:
        self.asked: list[MeasureOptions] = []
        self.read: list[bytes] = []
        self.error: Exception | None = None
        self.begun = threading.Event()
        self.go = threading.Event()
        self.go.set()

    def __call__(
        self, path: Path, options: MeasureOptions, *, preview_path: Path | None
    ) -> ArtworkMeasure:
        self.begun.set()
        assert self.go.wait(60.0)
        if self.error is not None:
            raise self.error
        self.asked.append(options)
        self.read.append(path.read_bytes())
        if preview_path is not None:
            preview_path.write_bytes(PNG + repr(options.undercut_mm).encode())
        return measured(hashlib.sha256(self.read[-1]).hexdigest(), undercut_mm=options.undercut_mm)
