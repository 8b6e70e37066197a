"""Recognises the kind of a file by its first bytes, never by its name. Standard library only."""

from __future__ import annotations

from controller.artwork import limits
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.result import unreadable
from controller.errors import RefusedError

_HEAD_BYTES = 4096


def sniff(path: ReadableFile) -> str:
    """Return PNG, TIFF, JPEG, PDF or SVG; ZIP for a plate of several artworks.

    Raises: RefusedError when the file cannot be read, is empty, too large or none of these.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise unreadable(path, error) from error
    if not head:
        raise RefusedError("artwork.file.empty", field="file", name=path.name)
    if size > limits.MAX_FILE_BYTES:
        raise RefusedError(
            "artwork.file.too_large",
            field="file",
            name=path.name,
            size_mb=size / 1e6,
            limit_mb=limits.MAX_FILE_BYTES / 1e6,
        )
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if b"%PDF-" in head[:1024]:
        return "PDF"
    if head.startswith(b"PK\x03\x04"):
        return "ZIP"
    if head.startswith(b"\x1f\x8b"):
        raise RefusedError("artwork.file.compressed", field="file", name=path.name)
    if b"<svg" in head or (
        head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"<?xml", b"<!--", b"<!DOCTYPE"))
        and b"svg" in head
    ):
        return "SVG"
    raise RefusedError("artwork.file.unknown_kind", field="file", name=path.name)
