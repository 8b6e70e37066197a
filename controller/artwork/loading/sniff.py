"""What kind of file this is, by its first bytes and never by its name. Standard library only."""

from __future__ import annotations

from pathlib import Path

from controller.artwork import limits
from controller.errors import RefusedError

_HEAD_BYTES = 4096
_KNOWN = "PNG, TIFF, JPEG, PDF or SVG"


def sniff(path: Path) -> str:
    """Return PNG, TIFF, JPEG, PDF or SVG.

    Raises: RefusedError when the file cannot be read, is empty, too large or none of these.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise RefusedError(
            f"cannot read {path.name}: {error.strerror or error}", field="file"
        ) from error
    if not head:
        raise RefusedError(f"{path.name} is empty: give a {_KNOWN} file", field="file")
    if size > limits.MAX_FILE_BYTES:
        raise RefusedError(
            f"{path.name} is {size / 1e6:.0f} MB, more than {limits.MAX_FILE_BYTES / 1e6:.0f} MB: save it compressed or smaller",
            field="file",
            limit=f"{limits.MAX_FILE_BYTES / 1e6:.0f} MB",
        )
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if b"%PDF-" in head[:1024]:
        return "PDF"
    if head.startswith(b"\x1f\x8b"):
        raise RefusedError(f"{path.name} is gzip-compressed: unpack it first", field="file")
    if b"<svg" in head or (
        head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"<?xml", b"<!--", b"<!DOCTYPE"))
        and b"svg" in head
    ):
        return "SVG"
    raise RefusedError(
        f"{path.name} is no {_KNOWN} file, whatever its name says: export the artwork as one",
        field="file",
    )
