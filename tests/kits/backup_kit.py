"""A bench with records, and backups of it, for the tests of backup and restore."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.artwork.options import MeasureOptions
from controller.backup.form import Places
from controller.backup.writing import backup_pieces
from controller.config import Settings, parse_settings
from controller.logbook.reader import LogbookReader
from controller.messages import RunState
from tests.kits.artwork.double import measured
from tests.kits.logbook_kit import UTC_0, ManualLogbook, changed, mean

PICTURE = b"\x89PNG a picture of ivy leaves"
DIGEST = hashlib.sha256(PICTURE).hexdigest()


def bench(directory: Path, *runs: str) -> Places:
    """Return a state directory with finished runs and one artwork."""
    directory.mkdir(parents=True, exist_ok=True)
    places = Places(directory / "biteclock.sqlite", directory)
    book = ManualLogbook(places.logbook)
    book.logbook.work()
    for run_id in runs:
        book.begin(run_id)
        book.write(*(mean(i, run_id=run_id) for i in range(100)))
        book.write(changed(run_id, RunState.FINISHED, 300.0))
    book.logbook.finish()
    home = places.artworks / "files" / DIGEST
    home.mkdir(parents=True)
    (home / "artwork.png").write_bytes(PICTURE)
    (places.artworks / "entries").mkdir()
    (places.artworks / "entries" / f"{'5a' * 32}.json").write_text(json.dumps(entry()))
    for secret in ("bench-token", "pairings.json", "messages.toml"):
        (directory / secret).write_text(f"a secret in {secret}")
    return places


def entry(**changes: Any) -> dict[str, Any]:
    """Return what the shelf keeps of the artwork."""
    table = {
        "name": "ivy",
        "media_type": "image/png",
        "file_bytes": len(PICTURE),
        "uploaded_at_utc": UTC_0.isoformat(),
        "options": MeasureOptions().to_dict(),
        "measure": measured(DIGEST).to_dict(),
    }
    return {**table, **changes}


def backup_of(places: Places, target: Path, settings: Settings | None = None) -> Path:
    """Write a backup and return it."""
    settings = settings or parse_settings({"server": {"name": "the big bath"}})
    pieces = backup_pieces(places, settings, made_at_utc=UTC_0, program_version="1.2.3")
    target.write_bytes(b"".join(pieces))
    return target


def run_ids(places: Places) -> list[str]:
    return [run.run_id for run in LogbookReader(places.logbook).list_runs().runs]


def rewritten(
    backup: Path, target: Path, change: Callable[[dict[str, bytes]], None], **info: Any
) -> Path:
    """Return a copy of a backup with other files and a manifest that fits them.

    :param info: attributes of each file in the zip file.
    """
    with zipfile.ZipFile(backup) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(files.pop("manifest.json"))
    change(files)
    manifest["files"] = {
        name: {"bytes": len(body), "sha256": hashlib.sha256(body).hexdigest()}
        for name, body in files.items()
        if name != "manifest.json"
    }
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in {"manifest.json": json.dumps(manifest).encode(), **files}.items():
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            for attribute, value in info.items():
                setattr(entry, attribute, value)
            archive.writestr(entry, body)
    return target
