"""The error of an imaging library as a text that holds no path of this machine."""

from __future__ import annotations

from controller.artwork.loading.readable import ReadableFile


def library_error(error: Exception, path: ReadableFile) -> str:
    """Return the error's class and its text, with the file's name in place of its path."""
    return f"{type(error).__name__}: {error}".replace(str(path), path.name)
