"""Uploaded artworks: the files, their measurements and their pictures. Calls here block."""

from __future__ import annotations

import json
import logging
import os
import shutil
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from api.access.private_files import write_private
from api.http.artworks.named_files import without_paths
from api.http.artworks.reliefs import PlateReliefs, ReliefCache, ReliefMaker
from controller.artwork.cache import MeasureCache, MeasureFunction, content_key
from controller.artwork.client import measure as measure_in_process
from controller.artwork.entry import SUFFIXES, Artwork, read_entry
from controller.artwork.film.client import make_film
from controller.artwork.film.options import FilmOptions
from controller.artwork.film.result import FilmResult
from controller.artwork.options import MeasureOptions
from controller.artwork.workplaces import HERE
from controller.errors import BiteclockError, RefusedError
from controller.ports import Clock
from controller.texts import text

FilmFunction = Callable[[Path, MeasureOptions, FilmOptions], tuple[FilmResult, bytes]]

MOST_ARTWORKS = 200
MOST_BYTES = 1_000_000_000
"""Most artworks, and most bytes of files. Those used longest ago are removed first.

A card of 16 GB has room for them.
"""

FREE_BYTES = 300_000_000
"""Bytes that must stay free besides a file. The logbook needs them, and warns below 200 MB."""

_log = logging.getLogger("biteclock")


class UnknownArtworkError(RefusedError, LookupError):
    """There is no such artwork, or it was removed."""


class NoRoomError(BiteclockError, OSError):
    """There is no room for the file on the card."""


class ArtworkShelf:
    """A directory of artworks.

    :param directory: created when it is missing.
    :param measure: measures a file in a separate process.
    :param make_film: makes a film of a file in a separate process.
    :param reliefs: makes pictures and fields of the etched plate in a separate process.
    :ivar reliefs: those of the artworks here.
    """

    def __init__(
        self,
        directory: Path,
        clock: Clock,
        *,
        measure: MeasureFunction = measure_in_process,
        make_film: FilmFunction = make_film,
        reliefs: ReliefMaker | None = None,
        most_artworks: int = MOST_ARTWORKS,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._clock = clock
        self._measure = without_paths(measure)
        self._make_film = make_film
        self._most_artworks, self._most_bytes = most_artworks, most_bytes
        self._lock = threading.Lock()
        self._directory = directory
        self._files, self._entries = directory / "files", directory / "entries"
        for place in (directory, self._files, self._entries):
            place.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._pictures = MeasureCache(directory / "pictures", self._measure)
        cache = ReliefCache(directory / "reliefs", reliefs or ReliefMaker(HERE))
        self.reliefs = PlateReliefs(cache, self.readable)
        self._known_pictures: dict[tuple[str, float | None], Path] = {}
        for left in directory.glob("incoming-*"):
            shutil.rmtree(left, ignore_errors=True)

    def new_file(self, media_type: str, expected_bytes: int) -> Path:
        """Return the path to which an upload is written. Raises: NoRoomError."""
        free_bytes = shutil.disk_usage(self._directory).free
        if free_bytes < expected_bytes + FREE_BYTES:
            raise NoRoomError(
                "http.artwork.no_room",
                free_mb=free_bytes / 1e6,
                needed_mb=(expected_bytes + FREE_BYTES) / 1e6,
            )
        return (
            Path(tempfile.mkdtemp(prefix="incoming-", dir=self._directory))
            / f"artwork{SUFFIXES[media_type]}"
        )

    def discard(self, file: Path) -> None:
        """Remove a file from ``new_file`` that ``put`` did not keep."""
        shutil.rmtree(file.parent, ignore_errors=True)

    def put(
        self, file: Path, name: str, media_type: str, options: MeasureOptions
    ) -> tuple[Artwork, bool]:
        """Measure an uploaded file. Return the artwork, and whether it is new.

        A file that was measured with the same options before is not measured again. After an error
        nothing is kept.

        Raises: RefusedError, MeasureFailedError.
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
                "http.artwork.unknown",
                field="artwork",
                artwork=f"{artwork[:12]}...",
            )
        with suppress(OSError):
            os.utime(entry)
        return found

    def recent(self, limit: int) -> tuple[Artwork, ...]:
        """Return the artworks, last used first."""
        return tuple(
            found for entry in self._by_use()[:limit] if (found := _read(entry)) is not None
        )

    def picture(self, artwork: str, undercut_mm: float | None) -> Path:
        """Return a PNG of what will be etched, with the undercut's edge and the lost lines.

        Raises: UnknownArtworkError, RefusedError, MeasureFailedError.
        """
        found, file = self.with_file(artwork)
        etch_factor = None if undercut_mm is None else 1.0
        options = replace(
            found.options,
            depth_mm=undercut_mm,
            etch_factor=etch_factor,
            max_undercut_mm=None,
            bath=None,
        )
        path = self._pictures.measured(file, options)[1]
        self._known_pictures[artwork, undercut_mm] = path
        return path

    def with_file(self, artwork: str) -> tuple[Artwork, Path]:
        """Return an artwork and its file. Raises: UnknownArtworkError."""
        found = self.get(artwork)
        file = self._file_of(found)
        if file is None:
            raise UnknownArtworkError("http.artwork.file_gone", field="artwork")
        return found, file

    def kept_picture(self, artwork: str, undercut_mm: float | None) -> Path | None:
        """Return a picture that this process has already made, or None."""
        path = self._known_pictures.get((artwork, undercut_mm))
        return path if path is not None and path.is_file() else None

    def film(self, artwork: str, film: FilmOptions) -> tuple[Artwork, FilmResult, bytes]:
        """Return an artwork, the figures of its film, and the film. Nothing is kept.

        Raises: UnknownArtworkError, RefusedError, MeasureFailedError.
        """
        found, file = self.with_file(artwork)
        options = replace(found.options, depth_mm=None, etch_factor=None, max_undercut_mm=None)
        result, content = self._make_film(file, options, film)
        return found, result, content

    def readable(self, artwork: str) -> tuple[Path, MeasureOptions]:
        """Return an artwork's file and how to read it, for a relief.

        :param artwork: its name, or its file's hash, which a run's plan has.
        Raises: UnknownArtworkError.
        """
        found = _read(self._entries / f"{artwork}.json") or self._of_file(artwork)
        if found is None:
            found = self.get(artwork)
        file = self._file_of(found)
        if file is None:
            raise UnknownArtworkError("http.artwork.file_gone", field="artwork")
        reading = replace(
            found.options, depth_mm=None, etch_factor=None, max_undercut_mm=None, bath=None
        )
        return file, reading

    def _of_file(self, sha256: str) -> Artwork | None:
        """Return the artwork used last of those that were measured of a file."""
        if not (self._files / sha256).is_dir():
            return None
        found = (_read(entry) for entry in self._by_use())
        return next((it for it in found if it and it.measure.sha256 == sha256), None)

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
            self._prune()  # removes the file, which no entry names
            raise NoRoomError(
                "http.artwork.not_kept", system_message=error.strerror or str(error)
            ) from error

    def _prune(self) -> None:
        """Remove the artworks used longest ago beyond the limits, and files without an artwork."""
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


def _read(entry: Path) -> Artwork | None:
    """Return the artwork in an entry, or None when there is none or it is damaged."""
    try:
        return read_entry(entry)
    except FileNotFoundError:
        return None
    except RefusedError as error:
        _log.warning(text("http.artwork.entry_unreadable", entry=entry.name, reason=error.message))
        return None
