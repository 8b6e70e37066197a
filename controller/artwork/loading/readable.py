"""What the loaders read: a path, or a file that is open already. Standard library only."""

from __future__ import annotations

import io
import os
from typing import Literal, Protocol


class ReadableFile(Protocol):
    """A file to read. A ``pathlib.Path`` is one."""

    @property
    def name(self) -> str:
        """The file's name, for messages."""

    def open(self, mode: Literal["rb"], /) -> io.BufferedReader:
        """Return a reader at the start of the file. Raises: OSError."""

    def read_bytes(self) -> bytes:
        """Return the whole file. Raises: OSError."""

    def stat(self) -> os.stat_result:
        """Return the file's size and more. Raises: OSError."""


class OpenFile:
    """A file by its descriptor. Each reader has its own place in it.

    Once the process is confined, only this may still be read: nothing else can be opened.

    :param descriptor: open for reading.
    :param name: for messages.
    """

    def __init__(self, descriptor: int, name: str) -> None:
        self.name = name
        self._descriptor = descriptor
        self._stat = os.fstat(descriptor)

    def __str__(self) -> str:
        return self.name

    def open(self, _mode: Literal["rb"], /) -> io.BufferedReader:
        """Return a reader at the start of the file."""
        return io.BufferedReader(_Reader(self._descriptor, self._stat.st_size))

    def read_bytes(self) -> bytes:
        """Return the whole file. Raises: OSError."""
        with self.open("rb") as file:
            return file.read()

    def stat(self) -> os.stat_result:
        """Return what the system said of the file when it was handed over."""
        return self._stat


class _Reader(io.RawIOBase):
    """Reads at a place that it keeps itself, and leaves the descriptor open."""

    def __init__(self, descriptor: int, size_bytes: int) -> None:
        self._descriptor, self._size_bytes, self._place = descriptor, size_bytes, 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
        read = os.pread(self._descriptor, len(buffer), self._place)
        buffer[: len(read)] = read
        self._place += len(read)
        return len(read)

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self._size_bytes}[whence]
        if start + offset < 0:
            raise OSError("place before the start of the file")
        self._place = start + offset
        return self._place
