"""Keeps measurements and previews, so that no artwork is measured twice. Standard library only."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from controller.artwork import limits
from controller.artwork.client import measure as measure_in_process
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, unreadable

_MOST_ENTRIES = 200
"""Entries kept: each has 20 kB of figures and up to 500 kB of preview, 100 MB in all at most."""


class MeasureFunction(Protocol):
    """Measures a file and writes its preview."""

    def __call__(
        self, path: Path, options: MeasureOptions, *, preview_path: Path | None
    ) -> ArtworkMeasure:
        """Return the measurement."""


class MeasureCache:
    """A directory of measurements. One thread measures at a time; the others wait.

    :param directory: made if it does not exist.
    :param measure: called for a file that is not kept.
    :param most_entries: entries kept; beyond them, those used longest ago are removed.
    """

    def __init__(
        self,
        directory: Path,
        measure: MeasureFunction = measure_in_process,
        most_entries: int = _MOST_ENTRIES,
    ) -> None:
        self._directory = directory
        self._measure = measure
        self._most_entries = most_entries
        self._lock = threading.Lock()
        directory.mkdir(parents=True, exist_ok=True)

    def measured(self, path: Path, options: MeasureOptions) -> tuple[ArtworkMeasure, Path]:
        """Return the measurement of a file and the path of its preview PNG, from the cache if kept.

        Raises: RefusedError, MeasureFailedError; nothing is kept then.
        """
        key = content_key(path, options)
        with self._lock:
            kept = self.kept(key)
            if kept is not None:
                return kept
            handle, name = tempfile.mkstemp(prefix=".new-", suffix=".png", dir=self._directory)
            os.close(handle)
            preview = Path(name)
            try:
                result = self._measure(path, options, preview_path=preview)
                preview.replace(self._directory / f"{key}.png")
                self._write(self._directory / f"{key}.json", result.to_json())
            finally:
                preview.unlink(missing_ok=True)
            self._prune()
            return result, self._directory / f"{key}.png"

    def kept(self, key: str) -> tuple[ArtworkMeasure, Path] | None:
        """Return the entry of a key, or None. A damaged entry counts as not kept."""
        figures, preview = self._directory / f"{key}.json", self._directory / f"{key}.png"
        try:
            result = ArtworkMeasure.from_json(figures.read_text(encoding="utf-8"))
            os.utime(figures)
        except (OSError, ValueError):
            return None
        return (result, preview) if preview.is_file() else None

    def _write(self, path: Path, text: str) -> None:
        handle, name = tempfile.mkstemp(prefix=".new-", dir=self._directory)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        Path(name).replace(path)

    def _prune(self) -> None:
        """Remove the entries used longest ago, beyond the number that is kept."""
        entries = []
        for figures in self._directory.glob("*.json"):
            with suppress(OSError):
                entries.append((figures.stat().st_mtime_ns, figures))
        for _, figures in sorted(entries)[: max(0, len(entries) - self._most_entries)]:
            figures.unlink(missing_ok=True)
            figures.with_suffix(".png").unlink(missing_ok=True)


def content_key(path: Path, options: MeasureOptions) -> str:
    """Return the key of a measurement: a hash of the file's bytes, the options and the version.

    Raises: RefusedError when the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256")
    except OSError as error:
        raise unreadable(path, error) from error
    digest.update(json.dumps(options.to_dict(), sort_keys=True).encode())
    digest.update(limits.MEASURE_VERSION.encode())
    return digest.hexdigest()
