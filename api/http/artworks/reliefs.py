"""Pictures and fields of etched plates, made once and kept. Calls here block."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from controller.artwork import limits
from controller.artwork.client import sha256_of
from controller.artwork.options import MeasureOptions
from controller.artwork.relief.client import plate_field, relief
from controller.artwork.relief.field_form import DamagedFieldError, Field, read_field
from controller.artwork.relief.options import FIELD, ReliefOptions
from controller.artwork.workplaces import Workplace
from controller.physics.bath_field import BathField

_MOST_KEPT = 60
"""Files kept. Source: the largest is 4 MB, 240 MB in all at most; usual ones have 0.3 MB."""

_FORM = "1"
"""Part of the key of kept files. It changes whenever a picture or a field may change."""


_ANY_DEPTH_MM = 0.1
"""A field holds for every depth."""


@dataclass(frozen=True, slots=True)
class ReliefMaker:
    """Makes reliefs in separate processes.

    :param bath: the rig's bath as the current sees it.
    """

    workplace: Workplace
    bath: BathField = field(default_factory=BathField)

    def relief(
        self, file: Path, reading: MeasureOptions, options: ReliefOptions, place: Path
    ) -> None:
        """Write a PNG of the etched plate. Raises: RefusedError, MeasureFailedError."""
        relief(file, reading, options, place, workplace=self.workplace)

    def field(self, file: Path, reading: MeasureOptions, place: Path) -> None:
        """Write the field of a plate. Raises: RefusedError, MeasureFailedError."""
        plate_field(file, reading, self.bath, place, workplace=self.workplace)


class ReliefCache:
    """A directory of reliefs. One thread makes them at a time; the others wait."""

    def __init__(self, directory: Path, maker: ReliefMaker) -> None:
        self._directory, self._maker = directory, maker
        self._lock = threading.Lock()
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        for left in directory.glob(".new-*"):
            left.unlink(missing_ok=True)

    @property
    def bath(self) -> BathField:
        """The rig's bath as the current sees it."""
        return self._maker.bath

    def relief(self, file: Path, reading: MeasureOptions, options: ReliefOptions) -> Path:
        """Return a PNG of the etched plate. Raises: RefusedError, MeasureFailedError."""
        key = _key(file, reading, options.to_dict())
        with self._lock:
            path = self._directory / f"{key}.png"
            if not self._is_kept(path):
                self._make(path, lambda place: self._maker.relief(file, reading, options, place))
            return path

    def kept_field(self, file: Path, reading: MeasureOptions) -> Path | None:
        """Return the file with the field, or None when it has to be made."""
        path = self._field_path(file, reading)
        return path if path.is_file() else None

    def packed_field(self, file: Path, reading: MeasureOptions) -> Path:
        """Return the file with the field, as gzip. Raises: RefusedError, MeasureFailedError."""
        path = self._field_path(file, reading)
        with self._lock:
            if not self._is_kept(path):
                self._make(path, lambda place: self._maker.field(file, reading, place))
            return path

    def field(self, file: Path, reading: MeasureOptions) -> Field:
        """Return the field, made again when the kept one is damaged.

        Raises: RefusedError, MeasureFailedError.
        """
        path = self.packed_field(file, reading)
        try:
            return read_field(path.read_bytes())
        except (OSError, DamagedFieldError):
            path.unlink(missing_ok=True)
            return read_field(self.packed_field(file, reading).read_bytes())

    def _field_path(self, file: Path, reading: MeasureOptions) -> Path:
        wanted = ReliefOptions(FIELD, _ANY_DEPTH_MM, bath=self._maker.bath)
        return self._directory / f"{_key(file, reading, wanted.to_dict())}.field"

    def _is_kept(self, path: Path) -> bool:
        try:
            os.utime(path)
        except OSError:
            return False
        return True

    def _make(self, path: Path, write: Callable[[Path], None]) -> None:
        handle, name = tempfile.mkstemp(prefix=".new-", dir=self._directory)
        os.close(handle)
        made = Path(name)
        try:
            write(made)
            made.replace(path)
        finally:
            made.unlink(missing_ok=True)
        self._prune()

    def _prune(self) -> None:
        """Remove the files used longest ago, beyond the number that is kept."""
        entries = []
        for path in self._directory.iterdir():
            with suppress(OSError):
                entries.append((path.stat().st_mtime_ns, path))
        for _, path in sorted(entries)[: max(0, len(entries) - _MOST_KEPT)]:
            path.unlink(missing_ok=True)


class PlateReliefs:
    """The reliefs of uploaded artworks.

    :param readable: returns the file of an artwork and how to read it; it raises RefusedError.
    """

    def __init__(
        self, cache: ReliefCache, readable: Callable[[str], tuple[Path, MeasureOptions]]
    ) -> None:
        self._cache, self._readable = cache, readable

    @property
    def bath(self) -> BathField:
        """The rig's bath as the current sees it."""
        return self._cache.bath

    def relief(self, artwork: str, options: ReliefOptions) -> Path:
        """Return a PNG of the etched plate, a picture or a height map.

        Raises: RefusedError, MeasureFailedError.
        """
        return self._cache.relief(*self._readable(artwork), options)

    def field(self, artwork: str) -> Field:
        """Return the field of an artwork's plate. Raises: RefusedError, MeasureFailedError."""
        return self._cache.field(*self._readable(artwork))

    def is_field_kept(self, artwork: str) -> bool:
        """Return whether the field need not be made. Raises: RefusedError."""
        return self._cache.kept_field(*self._readable(artwork)) is not None

    def packed_field(self, artwork: str) -> Path:
        """Return the file that holds the field, as gzip. Raises: as ``field``."""
        return self._cache.packed_field(*self._readable(artwork))


def _key(file: Path, reading: MeasureOptions, wanted: dict[str, object]) -> str:
    """Return the key of a relief: a hash of the file, how it is read, what is wanted, versions."""
    parts = [sha256_of(file), reading.to_dict(), wanted, limits.MEASURE_VERSION, _FORM]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()
