"""How a question and an answer travel through a pipe: the length, then the bytes."""

from __future__ import annotations

LENGTH_BYTES = 8


def frame(data: bytes) -> bytes:
    """Return the bytes with their length before them."""
    return len(data).to_bytes(LENGTH_BYTES, "big") + data


def length_of(head: bytes) -> int:
    """Return the length in a head of LENGTH_BYTES."""
    return int.from_bytes(head, "big")
