"""A measured file as the shelf keeps it, and the reader of its entry. Standard library only."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError

SUFFIXES = {
    "image/png": ".png",
    "image/tiff": ".tif",
    "image/jpeg": ".jpg",
    "application/pdf": ".pdf",
    "image/svg+xml": ".svg",
    "application/zip": ".zip",
    "application/octet-stream": "",
}
"""Accepted media types. Browsers send the last one when unsure.

The first bytes of a file decide how it is read, not its media type.
"""

MOST_FILE_BYTES = 64_000_000
"""Largest file. An A4 page at 1200 dpi is 5 MB as a black and white PNG and 20 to 60 MB in grey."""

_CONTROLS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u206f]")
"""Terminals obey control characters, and signs of direction make one name read as another."""


@dataclass(frozen=True, slots=True)
class Artwork:
    """A measured file.

    :param artwork: its name: a hash of the file, the options and the version of the measurement.
    :param options: how it was read and how far its growth was measured.
    """

    artwork: str
    name: str
    media_type: str
    file_bytes: int
    uploaded_at_utc: datetime
    options: MeasureOptions
    measure: ArtworkMeasure


def read_entry(entry: Path) -> Artwork:
    """Return the artwork in an entry, each value checked: it may come from a backup.

    Raises: RefusedError when it is damaged or cannot be read, FileNotFoundError.
    """
    try:
        table: dict[str, Any] = json.loads(entry.read_text(encoding="utf-8"))
        found = Artwork(
            artwork=entry.stem,
            name=table["name"],
            media_type=table["media_type"],
            file_bytes=table["file_bytes"],
            uploaded_at_utc=datetime.fromisoformat(table["uploaded_at_utc"]),
            options=MeasureOptions.from_dict(table["options"]),
            measure=ArtworkMeasure.from_dict(table["measure"]),
        )
        _check(found)
        return found
    except (FileNotFoundError, RefusedError):
        raise
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RefusedError("artwork.result.damaged", error=ascii(str(error))) from error


def _check(found: Artwork) -> None:
    """Check the values beside options and measurement. Raises: RefusedError."""
    size_bytes = found.file_bytes
    are_sound = {
        "name": isinstance(found.name, str) and _CONTROLS.search(found.name) is None,
        "media_type": found.media_type in SUFFIXES,
        "file_bytes": type(size_bytes) is int and 0 <= size_bytes <= MOST_FILE_BYTES,
        "uploaded_at_utc": found.uploaded_at_utc.tzinfo is not None,
    }
    for key, is_sound in are_sound.items():
        if not is_sound:
            given = ascii(getattr(found, key))
            raise RefusedError("artwork.result.value", key=key, given=given)
