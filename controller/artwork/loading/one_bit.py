"""Reads one-bit PNG files as bytes of eight pixels: an eighth of the memory, and no unpacking."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
from PIL import Image

from controller.artwork.loading.picture import Grey, averaged
from controller.artwork.loading.readable import ReadableFile

_HEADER = struct.Struct(">8s I 4s IIBBBBB I")
"""Signature, length, IHDR: width, height, bit depth, colour type, compression, filter, interlace;
check sum.
Source: ISO/IEC 15948 (PNG), 5.2, 5.3 and 11.2.2."""

_MOST_BYTES = 40_000_000
"""Twice the pixels of the largest sheet, uncompressed. A larger file holds something else."""


def packed_png(path: ReadableFile) -> io.BytesIO | None:
    """Return a one-bit PNG as a PNG of grey bytes that hold eight pixels each, or None.

    Only the header changes: a row of a PNG is a whole number of bytes, and up to a depth of 8 bits
    its filters work on bytes (ISO/IEC 15948, 7.2 and 9.2). None is returned for other PNG files
    and for interlaced ones, whose rows have several widths.
    """
    if path.stat().st_size > _MOST_BYTES:
        return None
    data = path.read_bytes()
    signature, length, name, width, height, depth, colour, *methods, stated = _HEADER.unpack_from(
        data
    )
    if (depth, colour, methods) != (1, 0, [0, 0, 0]) or stated != zlib.crc32(data[12:29]):
        return None
    head = bytearray(
        _HEADER.pack(signature, length, name, -(-width // 8), height, 8, 0, *methods, 0)
    )
    head[29:] = zlib.crc32(head[12:29]).to_bytes(4, "big")
    return io.BytesIO(bytes(head) + data[_HEADER.size :])


class PackedPixels:
    """The pixels of a sheet, eight to a byte, white where a bit is set.

    :param packed: shape (height, bytes), first pixel in the highest bit.
    """

    def __init__(self, packed: Grey, width_px: int) -> None:
        self._packed, self._width_px = packed, width_px
        self._known: dict[bytes, np.typing.NDArray[np.uint32]] = {}

    def histogram(self) -> np.typing.NDArray[np.int64]:
        """Return the counts of the 256 grey levels."""
        counts = np.zeros(256, np.int64)
        beyond = 8 * self._packed.shape[1] - self._width_px
        last = np.bitwise_count(self._packed[:, -1] & np.uint8((1 << beyond) - 1))
        counts[255] = np.bitwise_count(self._packed).sum(dtype=np.int64) - last.sum(dtype=np.int64)
        counts[0] = len(self._packed) * self._width_px - counts[255]
        return counts

    def read(self, first: int, last: int, step: int, table: Grey) -> Grey:
        """Return looked-up, averaged rows, as ``Picture.read``."""
        rows = self._packed[first:last]
        if step != 2:
            return averaged(_image(rows, self._width_px), step, table)
        whole = len(rows) // 2 * 2
        pairs = rows[0:whole:2].astype(np.uint16) << 8 | rows[1:whole:2]
        cover = self._of_pairs(table).take(pairs).view(np.uint8)
        # The last byte may end beyond the sheet, and the last row may have no partner: these blocks
        # average the pixels that exist.
        side = averaged(_image(rows[:, -1:], self._width_px - 8 * (rows.shape[1] - 1)), step, table)
        if whole < len(rows):
            cover = np.concatenate(
                [cover, averaged(_image(rows[whole:], 8 * rows.shape[1]), step, table)]
            )
        return np.concatenate([cover[:, :-4], side], axis=1)

    def _of_pairs(self, table: Grey) -> np.typing.NDArray[np.uint32]:
        """Return the four averages, one byte each, for each pair of bytes one above the other."""
        key = table.tobytes()
        if key not in self._known:
            upper, lower = np.divmod(np.arange(1 << 16), 1 << 8)
            self._known[key] = averaged(
                _image(np.stack([upper, lower]).astype(np.uint8), 8 << 16), 2, table
            ).view(np.uint32)[0]
        return self._known[key]


def _image(rows: Grey, width_px: int) -> Image.Image:
    return Image.frombytes("1", (width_px, len(rows)), rows.tobytes())
