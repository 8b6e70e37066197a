"""Uploaded artworks: the files, what was measured of them, and pictures of what they become. Calls here block."""

from __future__ import annotations

import json
import logging
import os
import shutil
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from api.access.private_files import write_private
from controller.artwork.cache import MeasureCache, MeasureFunction, content_key
from controller.artwork.client import measure as measure_in_process
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, MeasureFailedError
from controller.errors import BiteclockError, RefusedError
from controller.ports import Clock

SUFFIXES = {
    "image/png": ".png",
    "image/tiff": ".tif",
    "image/jpeg": ".jpg",
    "application/pdf": ".pdf",
    "image/svg+xml": ".svg",
    "application/octet-stream": "",
}
"""Types that are taken. What a file really is its first bytes tell, not its type: browsers send the last one when unsure."""

MOST_ARTWORKS = 200
MOST_BYTES = 1_000_000_000
"""Artworks and bytes of files that are kept; those used longest ago go first. A card of 16 GB spares so much."""

FREE_BYTES = 300_000_000
"""Room that must stay free beside a file: the logbook comes first, and warns under 200 MB."""

_log = logging.getLogger("biteclock")


class UnknownArtworkError(RefusedError, LookupError):
    """There is no such artwork, or no longer."""


class NoRoomError(BiteclockError, OSError):
    """The file finds no room on the card."""


@dataclass(frozen=True, slots=True)
class Artwork:
    """A measured file.

    :param artwork: its name: a hash of its bytes, of how it was read, and of the measuring's version.
    :param options: how it was read and how far its growth was measured.
    """

    artwork: str
    name: str
    media_type: str
    file_bytes: int
    uploaded_at_utc: datetime
    options: MeasureOptions
    measure: ArtworkMeasure


class ArtworkShelf:
    """A directory of artworks.

    :param directory: made if it is not there.
    :param measure: measures a file; in a process of its own.
    """

    def __init__(
        self,
        directory: Path,
        clock: Clock,
        *,
        measure: MeasureFunction = measure_in_process,
        most_artworks: int = MOST_ARTWORKS,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._clock = clock
        self._measure = _telling_no_paths(measure)
        self._most_artworks, self._most_bytes = most_artworks, most_bytes
        self._lock = threading.Lock()
        self._directory = directory
        self._files, self._entries = directory / "files", directory / "entries"
        for place in (directory, self._files, self._entries):
            place.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._pictures = MeasureCache(directory / "pictures", self._measure)
        self._known_pictures: dict[tuple[str, float | None], Path] = {}
        for left in directory.glob("incoming-*"):
            shutil.rmtree(left, ignore_errors=True)

    def new_file(self, media_type: str, expected_bytes: int) -> Path:
        """Return where an upload is written to. Raises: NoRoomError."""
        free_bytes = shutil.disk_usage(self._directory).free
        if free_bytes < expected_bytes + FREE_BYTES:
            raise NoRoomError(
                f"{free_bytes / 1e6:.0f} MB are free, {(expected_bytes + FREE_BYTES) / 1e6:.0f} MB are wanted for file and "
                "logbook: make room on the card"
            )
        return (
            Path(tempfile.mkdtemp(prefix="incoming-", dir=self._directory))
            / f"artwork{SUFFIXES[media_type]}"
        )

    def discard(self, file: Path) -> None:
        """Remove what ``new_file`` gave and ``put`` did not take."""
        shutil.rmtree(file.parent, ignore_errors=True)

    def put(
        self, file: Path, name: str, media_type: str, options: MeasureOptions
    ) -> tuple[Artwork, bool]:
        """Measure an uploaded file unless that was done before; return the artwork and whether it is new.

        Raises: RefusedError, MeasureFailedError; nothing is kept then.
        """
        artwork = content_key(file, options)
        with suppress(UnknownArtworkError):
            return self.get(artwork), False
        measured = self._measure(file, options, preview_path=None)
        found = Artwork(
            artwork, name, media_type, file.stat().st_size, self._clock.utc_now(), options, measured
        )
        home = self._files / measured.sha256
        with self._lock:
            if not home.exists():
                file.parent.replace(home)
            self._write(found)
            self._prune()
        return found, True

    def get(self, artwork: str) -> Artwork:
        """Return an artwork and note that it was used. Raises: UnknownArtworkError."""
        entry = self._entries / f"{artwork}.json"
        found = _read(entry)
        if found is None:
            raise UnknownArtworkError(
                f"there is no artwork {artwork[:12]}..., or it was removed to make room: upload the file again",
                field="artwork",
            )
        with suppress(OSError):
            os.utime(entry)
        return found

    def recent(self, limit: int) -> tuple[Artwork, ...]:
        """Return the artworks that were used last, the newest first."""
        return tuple(
            found for entry in self._by_use()[:limit] if (found := _read(entry)) is not None
        )

    def picture(self, artwork: str, undercut_mm: float | None) -> Path:
        """Return a PNG of what will be etched, with the edge after an undercut and the lines that it takes.

        Raises: UnknownArtworkError, RefusedError, MeasureFailedError.
        """
        found = self.get(artwork)
        file = self._file_of(found)
        if file is None:
            raise UnknownArtworkError(
                "the artwork's file is gone: upload it again", field="artwork"
            )
        etch_factor = None if undercut_mm is None else 1.0
        options = replace(
            found.options, depth_mm=undercut_mm, etch_factor=etch_factor, max_undercut_mm=None
        )
        path = self._pictures.measured(file, options)[1]
        self._known_pictures[artwork, undercut_mm] = path
        return path

    def kept_picture(self, artwork: str, undercut_mm: float | None) -> Path | None:
        """Return a picture that this process has made before and that needs no measuring, or None."""
        path = self._known_pictures.get((artwork, undercut_mm))
        return path if path is not None and path.is_file() else None

    def _file_of(self, found: Artwork) -> Path | None:
        return next(iter((self._files / found.measure.sha256).glob("artwork*")), None)

    def _by_use(self) -> list[Path]:
        times = []
        for entry in self._entries.glob("*.json"):
            with suppress(OSError):
                times.append((entry.stat().st_mtime_ns, entry))
        return [entry for _, entry in sorted(times, reverse=True)]

    def _write(self, found: Artwork) -> None:
        table = {
            "name": found.name,
            "media_type": found.media_type,
            "file_bytes": found.file_bytes,
            "uploaded_at_utc": found.uploaded_at_utc.isoformat(),
            "options": found.options.to_dict(),
            "measure": found.measure.to_dict(),
        }
        try:
            write_private(
                self._entries / f"{found.artwork}.json", json.dumps(table, allow_nan=False)
            )
        except OSError as error:
            self._prune()  # takes the file that no entry names
            raise NoRoomError(
                f"the artwork cannot be kept: {error.strerror}. Make room on the card"
            ) from error

    def _prune(self) -> None:
        """Remove the artworks that were used longest ago, beyond what is kept, and the files that no artwork names."""
        kept: set[str] = set()
        total_bytes = 0
        for place, entry in enumerate(self._by_use()):
            found = _read(entry)
            total_bytes += 0 if found is None or found.measure.sha256 in kept else found.file_bytes
            if (
                found is None
                or place >= self._most_artworks
                or (place > 0 and total_bytes > self._most_bytes)
            ):
                entry.unlink(missing_ok=True)
            else:
                kept.add(found.measure.sha256)
        for home in self._files.iterdir():
            if home.name not in kept:
                shutil.rmtree(home, ignore_errors=True)


def _telling_no_paths(measure: MeasureFunction) -> MeasureFunction:
    """Return the function with messages that name the file alone: libraries put its whole path into theirs."""

    def told(path: Path, options: MeasureOptions, *, preview_path: Path | None) -> ArtworkMeasure:
        try:
            return measure(path, options, preview_path=preview_path)
        except RefusedError as error:
            message = str(error).replace(str(path.resolve()), path.name)
            raise RefusedError(message, field=error.field, limit=error.limit) from error
        except MeasureFailedError as error:
            raise MeasureFailedError(str(error).replace(str(path.resolve()), path.name)) from error

    return told


def _read(entry: Path) -> Artwork | None:
    """Return the artwork in an entry, or None when there is none or it is damaged."""
    try:
        table: dict[str, Any] = json.loads(entry.read_text(encoding="utf-8"))
        return Artwork(
            artwork=entry.stem,
            name=str(table["name"]),
            media_type=str(table["media_type"]),
            file_bytes=int(table["file_bytes"]),
            uploaded_at_utc=datetime.fromisoformat(table["uploaded_at_utc"]),
            options=MeasureOptions.from_dict(table["options"]),
            measure=ArtworkMeasure.from_dict(table["measure"]),
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        _log.warning("the artwork %s cannot be read: %s", entry.name, error)
        return None
