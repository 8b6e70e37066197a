"""Files that only the daemon's own user may read."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

MODE = 0o600


def write_private(path: Path, text: str) -> None:
    """Replace a file by a text, whole or not at all, readable for its owner only.

    Raises: OSError.
    """
    new = path.with_name(f".{path.name}-{secrets.token_hex(4)}")
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, MODE)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError:
        with suppress(OSError):
            new.unlink()
        raise
