"""Reads a backup and trusts nothing in it: names, sizes, digests, the logbook's own soundness."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import stat
import struct
import zipfile
import zlib
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.backup.form import (
    FORMAT,
    FORMAT_VERSION,
    LOGBOOK,
    MANIFEST,
    MOST_BACKUP_BYTES,
    MOST_DIRECTORY_BYTES,
    MOST_FILES,
    BackupRefusedError,
    most_bytes,
)
from controller.logbook.schema import APPLICATION_ID, MIGRATIONS

_END = struct.Struct("<4s4H2LH")
"""End of the central directory. Source: PKWARE APPNOTE 6.3.10, section 4.3.16."""

_ZIP64_LOCATOR = b"PK\x06\x07"
_LOCATOR_BYTES = 20
_ENCRYPTED = 0x1
PIECE_BYTES = 65_536

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""Compressions of a backup. zipfile bounds what these unpack at once, but not bzip2 and LZMA."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself, checked.

    :param files: name -> (bytes, SHA-256 in hexadecimal digits), without the manifest.
    """

    made_at_utc: str
    program_version: str
    files: dict[str, tuple[int, str]]

    @property
    def made_at(self) -> str:
        """The time for a person, as 2026-11-30 18:05 UTC."""
        made_at_utc = datetime.fromisoformat(self.made_at_utc).astimezone(UTC)
        return f"{made_at_utc:%Y-%m-%d %H:%M} UTC"


def read_manifest(path: Path) -> Manifest:
    """Return the manifest of a backup whose names and sizes were checked.

    Raises: BackupRefusedError, OSError.
    """
    _check_end(path)
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
            _check_infos(infos)
            table = json.loads(archive.read(MANIFEST))
    except BackupRefusedError:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, KeyError, NotImplementedError) as error:
        raise BackupRefusedError("backup.damaged", problem=str(error)) from error
    except (ValueError, RecursionError) as error:
        raise BackupRefusedError("backup.no_manifest") from error
    manifest = _manifest(table)
    sizes = {info.filename: info.file_size for info in infos if info.filename != MANIFEST}
    if sizes != {name: size_bytes for name, (size_bytes, _) in manifest.files.items()}:
        raise BackupRefusedError("backup.other_files")
    if LOGBOOK not in sizes:
        raise BackupRefusedError("backup.other_files")
    return manifest


def extract(path: Path, name: str, target: Path, manifest: Manifest) -> None:
    """Write one file of a backup to a new file, checked against the manifest.

    Raises: BackupRefusedError when it differs, OSError.
    """
    size_bytes, sha256 = manifest.files[name]
    digest, taken = hashlib.sha256(), 0
    try:
        with (
            zipfile.ZipFile(path) as archive,
            archive.open(name) as member,
            target.open("xb") as to,
        ):
            target.chmod(0o600)
            while data := member.read(PIECE_BYTES):
                digest.update(data)
                taken += len(data)
                to.write(data)
    except (zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise BackupRefusedError("backup.damaged", problem=str(error)) from error
    if (taken, digest.hexdigest()) != (size_bytes, sha256):
        raise BackupRefusedError("backup.damaged", problem=name)
    parts = name.split("/")
    if parts[:2] == ["artworks", "files"] and parts[2] != sha256:
        raise BackupRefusedError("backup.damaged", problem=name)


def check_logbook(path: Path) -> None:
    """Check an extracted logbook: ours, not newer, sound, and without foreign statements.

    Raises: BackupRefusedError.
    """
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("PRAGMA trusted_schema = OFF")
            mark = connection.execute("PRAGMA application_id").fetchone()[0]
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if mark != APPLICATION_ID or version < 1:
                raise BackupRefusedError("backup.no_logbook")
            if version > len(MIGRATIONS):
                raise BackupRefusedError("backup.newer", version=version, newest=len(MIGRATIONS))
            known, found = _objects_of(version), _objects(connection)
            if found - known:
                name = ascii(min(found - known)[1][:60])
                raise BackupRefusedError("backup.foreign_object", name=name)
            if known - found:
                name = min(known - found)[1]
                raise BackupRefusedError("backup.missing_object", name=name)
            findings = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
            if findings != ["ok"] or connection.execute("PRAGMA foreign_key_check").fetchone():
                raise BackupRefusedError("backup.unsound", problem="; ".join(findings))
    except sqlite3.Error as error:
        raise BackupRefusedError("backup.unsound", problem=str(error)) from error


def _objects(connection: sqlite3.Connection) -> set[tuple[str, str, str]]:
    rows = connection.execute("SELECT type, name, coalesce(sql, '') FROM sqlite_schema")
    return {(kind, name, " ".join(sql.split())) for kind, name, sql in rows}


def _objects_of(version: int) -> set[tuple[str, str, str]]:
    """Return the tables, indexes and views of a version, as SQLite stores them."""
    from controller.logbook.live_log import LiveLog

    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for script in MIGRATIONS[:version]:
            connection.executescript(script)
        LiveLog(connection, had_log=True, busy_timeout_s=0.0)
        return _objects(connection)


def _check_end(path: Path) -> None:
    """Check the end of the file: a small directory, so that reading it takes little memory."""
    size_bytes = path.stat().st_size
    if size_bytes > MOST_BACKUP_BYTES:
        raise BackupRefusedError(
            "backup.too_large", size_mb=size_bytes / 1e6, limit_mb=MOST_BACKUP_BYTES / 1e6
        )
    if size_bytes < _END.size + _LOCATOR_BYTES:
        raise BackupRefusedError("backup.no_backup")
    with path.open("rb") as file:
        file.seek(-_END.size - _LOCATOR_BYTES, 2)
        tail = file.read()
    mark, _, _, here, files, directory_bytes, _, comment = _END.unpack(tail[_LOCATOR_BYTES:])
    if mark != b"PK\x05\x06" or comment != 0:
        raise BackupRefusedError("backup.no_backup")
    if (
        tail.startswith(_ZIP64_LOCATOR)
        or max(here, files) > MOST_FILES
        or directory_bytes > MOST_DIRECTORY_BYTES
    ):
        raise BackupRefusedError("backup.too_many", limit_files=MOST_FILES)


def _check_infos(infos: list[zipfile.ZipInfo]) -> None:
    names = [info.filename for info in infos]
    total_bytes = sum(info.file_size for info in infos)
    if len(set(names)) != len(names):
        raise BackupRefusedError("backup.other_files")
    if total_bytes > MOST_BACKUP_BYTES:
        raise BackupRefusedError(
            "backup.too_large", size_mb=total_bytes / 1e6, limit_mb=MOST_BACKUP_BYTES / 1e6
        )
    for info in infos:
        limit = most_bytes(info.filename)
        kind = stat.S_IFMT(info.external_attr >> 16)
        if limit is None or kind not in (0, stat.S_IFREG) or info.flag_bits & _ENCRYPTED:
            raise BackupRefusedError("backup.foreign_file", name=ascii(info.filename[:60]))
        if info.compress_type not in _METHODS:
            raise BackupRefusedError("backup.other_compression", name=info.filename)
        if info.file_size > limit:
            raise BackupRefusedError(
                "backup.too_large", size_mb=info.file_size / 1e6, limit_mb=limit / 1e6
            )


def _manifest(table: Any) -> Manifest:
    try:
        if table["format"] != FORMAT:
            raise BackupRefusedError("backup.no_manifest")
        version = int(table["format_version"])
        if version > FORMAT_VERSION:
            raise BackupRefusedError("backup.newer", version=version, newest=FORMAT_VERSION)
        files = {
            str(name): (int(it["bytes"]), str(it["sha256"])) for name, it in table["files"].items()
        }
        made_at = datetime.fromisoformat(table["made_at_utc"])
        if made_at.tzinfo is None:
            raise BackupRefusedError("backup.no_manifest")
        return Manifest(made_at.isoformat(), str(table["program_version"]), files)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        if isinstance(error, BackupRefusedError):
            raise
        raise BackupRefusedError("backup.no_manifest") from error
