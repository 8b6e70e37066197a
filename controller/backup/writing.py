"""Writes a backup piece by piece, while the logbook is written and runs go on."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.backup.form import (
    CONTENTS,
    FORMAT,
    FORMAT_VERSION,
    FREE_BYTES,
    LOGBOOK,
    MANIFEST,
    SETTINGS,
    BackupFailedError,
    Places,
    most_bytes,
)
from controller.backup.toml_text import toml_text
from controller.config import Settings
from controller.logbook.reader import LogbookReader
from controller.logbook.schema import MIGRATIONS

PIECE_BYTES = 65_536

TEMPORARY = "backup-"
"""Prefix of the directory with the copy of the logbook. One that was left is removed at start."""


class _Sink:
    """Takes the bytes of the zip file, and hands them on in pieces."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def write(self, data: bytes) -> int:
        """Take bytes."""
        self._parts.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Do nothing."""

    def taken(self) -> bytes:
        """Return the bytes since the last call."""
        data = b"".join(self._parts)
        self._parts.clear()
        return data


def backup_pieces(
    places: Places, settings: Settings, *, made_at_utc: datetime, program_version: str
) -> Iterator[bytes]:
    """Yield a backup. Each piece takes a few ms, the first one as long as copying the logbook.

    Neither the control loop nor the thread that writes the logbook waits for it: the copy is made
    by SQLite, from a moment between two transactions, without the interpreter's lock.

    Raises: BackupFailedError, LogbookUnreadableError.
    """
    with tempfile.TemporaryDirectory(prefix=TEMPORARY, dir=places.state_directory) as directory:
        copy = Path(directory) / LOGBOOK
        _copy_logbook(places, copy)
        sink: Any = _Sink()
        files: dict[str, Any] = {}
        with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:

            def added(name: str, source: Path, compression: int) -> Iterator[bytes]:
                info = zipfile.ZipInfo(name, made_at_utc.timetuple()[:6])
                info.compress_type = compression
                info.external_attr = 0o100600 << 16
                digest, size_bytes = hashlib.sha256(), 0
                with source.open("rb") as file, archive.open(info, "w") as member:
                    while data := file.read(PIECE_BYTES):
                        digest.update(data)
                        size_bytes += len(data)
                        member.write(data)
                        yield sink.taken()
                files[name] = {"bytes": size_bytes, "sha256": digest.hexdigest()}

            yield from added(LOGBOOK, copy, zipfile.ZIP_DEFLATED)
            kept = Path(directory) / SETTINGS
            kept.write_text(toml_text(settings), encoding="utf-8")
            yield from added(SETTINGS, kept, zipfile.ZIP_DEFLATED)
            for name, source in _artworks(places):
                yield from added(name, source, zipfile.ZIP_STORED)
            manifest = {
                "format": FORMAT,
                "format_version": FORMAT_VERSION,
                "contents": CONTENTS,
                "made_at_utc": made_at_utc.isoformat(timespec="seconds"),
                "program_version": program_version,
                "logbook_version": len(MIGRATIONS),
                "bench_name": settings.server.name,
                "files": files,
            }
            archive.writestr(
                zipfile.ZipInfo(MANIFEST, made_at_utc.timetuple()[:6]),
                json.dumps(manifest, indent=1),
            )
        yield sink.taken()


def _copy_logbook(places: Places, copy: Path) -> None:
    try:
        size_bytes = places.logbook.stat().st_size
        free_bytes = shutil.disk_usage(copy.parent).free
    except OSError as error:
        raise BackupFailedError(
            "backup.not_copied", system_message=error.strerror or str(error)
        ) from error
    if free_bytes < size_bytes + FREE_BYTES:
        raise BackupFailedError(
            "backup.no_room",
            free_mb=free_bytes / 1e6,
            needed_mb=(size_bytes + FREE_BYTES) / 1e6,
        )
    with LogbookReader(places.logbook).connected() as connection:
        connection.execute("VACUUM INTO ?", (str(copy),))
    with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        connection.execute("UPDATE live_log SET is_live = 0")  # the copy is whole


def _artworks(places: Places) -> list[tuple[str, Path]]:
    """Return names and files of the artworks whose names a backup may hold."""
    folder = places.state_directory
    found = [*places.artworks.glob("entries/*.json"), *places.artworks.glob("files/*/artwork*")]
    named = ((file.relative_to(folder).as_posix(), file) for file in sorted(found))
    return [
        (name, file)
        for name, file in named
        if (limit := most_bytes(name)) is not None
        and file.is_file()
        and not file.is_symlink()
        and file.stat().st_size <= limit
    ]
