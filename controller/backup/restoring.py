"""Restores a backup in two steps, so that a power cut at any moment loses nothing.

``stage`` checks everything and prepares new files beside those in use. ``finish`` puts them in
place by renaming alone, before the logbook is opened; each of its steps can be repeated. What is
replaced stays in the same place, with the date in its name. A backup that is only partly staged is
discarded.
"""

from __future__ import annotations

import json
import logging
import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC
from pathlib import Path

from controller.artwork.entry import read_entry
from controller.backup.form import (
    ARTWORKS,
    FREE_BYTES,
    LOGBOOK,
    SETTINGS,
    BackupFailedError,
    Places,
)
from controller.backup.reading import Manifest, check_logbook, extract, read_manifest
from controller.backup.writing import TEMPORARY
from controller.errors import RefusedError
from controller.logbook.recovery import recover
from controller.logbook.store import open_store
from controller.ports import Clock
from controller.texts import text

STAGING = "restore-staged"
INCOMING = "restore-incoming-"
"""Prefix of the directory with an uploaded backup. One that was left is removed at start."""

READY = "ready.json"
_log = logging.getLogger("biteclock")

_COMPANIONS = ("", "-wal", "-shm")


def stage(file: Path, places: Places, clock: Clock) -> Manifest:
    """Check a backup and prepare its files. Nothing in use is touched.

    Runs that were not over when the backup was made are over in it: nobody can carry on with them.

    Raises: BackupRefusedError, BackupFailedError.
    """
    try:
        manifest = read_manifest(file)
        discard(places)
        needed_bytes = sum(size for size, _ in manifest.files.values()) + FREE_BYTES
        free_bytes = shutil.disk_usage(places.state_directory).free
        if free_bytes < needed_bytes:
            raise BackupFailedError(
                "backup.no_room", free_mb=free_bytes / 1e6, needed_mb=needed_bytes / 1e6
            )
        _prepare(file, places, manifest, clock)
    except OSError as error:
        discard(places)
        if isinstance(error, BackupFailedError):
            raise
        reason = error.strerror or str(error)
        raise BackupFailedError("backup.not_restored", system_message=reason) from error
    except BaseException:
        discard(places)
        raise
    return manifest


def is_staged(places: Places) -> bool:
    """Return whether a backup waits to be put in place."""
    return (places.state_directory / STAGING / READY).exists()


def finish(places: Places) -> str | None:
    """Put a staged backup in place; return the date in the names of what it replaced, or None.

    Call it before the logbook and the artworks are opened. What was left of a backup that is not
    wholly staged, or of one that was being made, is removed.

    Raises: OSError; then the next call goes on where this one ended.
    """
    staging = places.state_directory / STAGING
    for prefix in (TEMPORARY, INCOMING):
        for left in places.state_directory.glob(f"{prefix}*"):
            if left.is_dir() and not left.is_symlink():
                shutil.rmtree(left, ignore_errors=True)
    if not is_staged(places):
        discard(places)
        return None
    stamp = str(json.loads((staging / READY).read_text(encoding="utf-8"))["stamp"])
    new_book = _staged_logbook(places)
    if new_book.exists():
        kept = places.logbook.with_name(
            f"{places.logbook.stem}-replaced-{stamp}{places.logbook.suffix}"
        )
        for companion in _COMPANIONS:
            _move_away(_beside(places.logbook, companion), _beside(kept, companion))
        new_book.rename(places.logbook)
    _sync([places.logbook.parent])
    new_artworks = staging / ARTWORKS
    if new_artworks.exists():
        _move_away(places.artworks, places.artworks.with_name(f"{ARTWORKS}-replaced-{stamp}"))
        new_artworks.rename(places.artworks)
    new_settings = staging / SETTINGS
    if new_settings.exists():
        new_settings.rename(kept_settings(places, stamp))
    _sync([staging, places.state_directory])
    discard(places)
    return stamp


def finish_at_start(places: Places) -> None:
    """Put a staged backup in place and log it.

    Raises: RefusedError when that fails half-way; the next start goes on with it.
    """
    try:
        stamp = finish(places)
    except OSError as error:
        reason = error.strerror or str(error)
        raise RefusedError("backup.not_finished", system_message=reason) from error
    if stamp is not None:
        _log.warning(text("backup.restored_at_start", stamp=stamp))


def kept_settings(places: Places, stamp: str) -> Path:
    """Return where the settings of a restored backup are. They are never put in force."""
    return places.state_directory / f"biteclock-restored-{stamp}.toml"


def discard(places: Places) -> None:
    """Remove what is staged. Never raises."""
    with suppress(OSError):
        (places.state_directory / STAGING / READY).unlink()
    shutil.rmtree(places.state_directory / STAGING, ignore_errors=True)
    for companion in (*_COMPANIONS, "-lock", "-journal"):
        with suppress(OSError):
            _beside(_staged_logbook(places), companion).unlink()


def _prepare(file: Path, places: Places, manifest: Manifest, clock: Clock) -> None:
    staging = places.state_directory / STAGING
    staging.mkdir(mode=0o700)
    for folder in (ARTWORKS, f"{ARTWORKS}/files", f"{ARTWORKS}/entries"):
        (staging / folder).mkdir(mode=0o700)
    book = _staged_logbook(places)
    targets = {name: book if name == LOGBOOK else staging / name for name in manifest.files}
    left_out: list[str] = []
    for name, target in targets.items():
        target.parent.mkdir(mode=0o700, exist_ok=True)
        extract(file, name, target, manifest)
        if target.parent.name == "entries" and not _is_sound(target):
            target.unlink()
            left_out.append(name)
    for name in left_out:
        del targets[name]
    check_logbook(book)
    _close_runs(book, clock)
    folders = {target.parent for target in targets.values()}
    _sync([*targets.values(), *folders, staging / ARTWORKS, staging])
    ready = staging / READY
    stamp = f"{clock.utc_now().astimezone(UTC):%Y%m%dT%H%M%SZ}"
    part = ready.with_suffix(".part")
    part.write_text(json.dumps({"stamp": _free_stamp(places, stamp)}), encoding="utf-8")
    _give_to_owner(places)
    _sync([part, book.parent])
    part.rename(ready)
    _sync([staging, places.state_directory])


def _is_sound(entry: Path) -> bool:
    """Return whether the shelf can read an artwork's entry. One that it cannot is left out."""
    try:
        read_entry(entry)
    except RefusedError as error:
        _log.warning(text("backup.entry_left_out", entry=entry.name, reason=error.message))
        return False
    return True


def _close_runs(book: Path, clock: Clock) -> None:
    """Bring the logbook to the present version and end its unfinished runs."""
    store = open_store(book, clock.boot_id(), lambda: False, should_check=False, busy_timeout_s=1.0)
    try:
        store.write(recover(store.connection, clock, has_newer_run=True).entries)
        store.log.fold()
    finally:
        store.close()
        with suppress(FileNotFoundError):
            _beside(book, "-lock").unlink()


def _free_stamp(places: Places, stamp: str) -> str:
    """Return the stamp, or one with a number where files of that name exist."""
    taken = "\n".join(
        it.name
        for folder in {places.state_directory, places.logbook.parent}
        for it in folder.iterdir()
    )
    number, free = 1, stamp
    while f"-replaced-{free}" in taken or f"-restored-{free}" in taken:
        number += 1
        free = f"{stamp}-{number}"
    return free


def _give_to_owner(places: Places) -> None:
    """Give the new files to the owner of the state directory, when the superuser restores."""
    if os.geteuid() != 0:
        return
    owner = places.state_directory.stat()
    staging = places.state_directory / STAGING
    for path in (staging, *staging.rglob("*"), _staged_logbook(places)):
        os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _staged_logbook(places: Places) -> Path:
    """Return the new logbook's place, on the same file system as the one in use."""
    return places.logbook.with_name(f"{places.logbook.name}-restored")


def _beside(path: Path, companion: str) -> Path:
    return path.with_name(path.name + companion)


def _move_away(path: Path, target: Path) -> None:
    """Rename a file or a directory, unless that was done before a power cut."""
    if path.exists() and not target.exists():
        path.rename(target)


def _sync(paths: Iterable[Path]) -> None:
    """Have files and directories on the disk."""
    for path in paths:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
