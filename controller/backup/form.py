"""What a backup contains: its files, its manifest, its limits.

A backup is a zip file (PKWARE APPNOTE, without zip64 directory). It holds the logbook with baths,
readings and what was learned from them; the artworks with their measurements; the settings that
were in force, calibration included; and a manifest with the SHA-256 of each file. It holds no PIN,
no token, no paired device and no secret of the messages.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from controller.errors import BiteclockError, RefusedError

FORMAT = "biteclock-backup"
FORMAT_VERSION = 1
MEDIA_TYPE = "application/zip"

MANIFEST = "manifest.json"
LOGBOOK = "logbook.sqlite"
SETTINGS = "biteclock.toml"
ARTWORKS = "artworks"

CONTENTS = (
    "Logbook with baths and readings, artworks, and the settings with the calibration. "
    "No PIN, no tokens, no paired devices, no secrets of the messages."
)

MOST_BACKUP_BYTES = 2_000_000_000
"""Largest backup, packed and unpacked: 1 GB of artworks, which is their limit, and as much again
for ten years of runs."""

MOST_FILES = 1000
"""Most files: 200 artworks have two each."""

MOST_DIRECTORY_BYTES = 1_000_000

FREE_BYTES = 100_000_000
"""Bytes that stay free beside a backup or a restored file."""

_NAMES = (
    (re.compile(re.escape(MANIFEST)), 1_000_000),
    (re.compile(re.escape(LOGBOOK)), 1_000_000_000),
    (re.compile(re.escape(SETTINGS)), 1_000_000),
    (re.compile(r"artworks/entries/[0-9a-f]{64}\.json"), 5_000_000),
    (re.compile(r"artworks/files/[0-9a-f]{64}/artwork(\.(png|tif|jpg|pdf|svg))?"), 64_000_000),
)


class BackupRefusedError(RefusedError):
    """The file is not a backup that can be restored. Nothing was changed."""


class BackupFailedError(BiteclockError, OSError):
    """A backup cannot be made or restored now. Nothing was changed."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where the daemon keeps what a backup contains.

    :param state_directory: holds the artworks and, while a backup is restored, its files.
    """

    logbook: Path
    state_directory: Path

    @property
    def artworks(self) -> Path:
        """The directory of the artworks."""
        return self.state_directory / ARTWORKS


def most_bytes(name: str) -> int | None:
    """Return the size limit of a file in a backup, or None when it may not be there."""
    return next((limit for form, limit in _NAMES if form.fullmatch(name)), None)
