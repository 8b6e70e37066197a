"""What the daemon and a worker say to each other over a Unix stream socket.

The request: its length in four bytes, and JSON; with the first byte come two descriptors, the file
to read and a pipe for standard error. The reply: length and JSON, then length and bytes of the
picture, then the end. A worker may be in the hands of the file that it reads, so the reply is
believed in nothing: its size is limited before a byte of it is parsed. Standard library only.
"""

from __future__ import annotations

import json
import os
import socket
import struct
from dataclasses import dataclass
from typing import Any

MOST_REQUEST_BYTES = 64_000

MOST_REPLY_BYTES = 400_000
"""Source: the figures of a measurement with 200 lost lines take 50 kB."""

MOST_PICTURE_BYTES = 4_000_000
"""Source: a preview of random noise, 1600 x 1600 pixels in 64 colours, takes 2 MB."""

_MOST_CHARACTERS = 2000
_MOST_ITEMS = 5000
_DEEPEST = 8
"""Longest text, most entries of a list or table, deepest nesting. A growth curve has 200 pairs."""

_LENGTH = struct.Struct(">I")
_PNG = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Expected:
    """What a worker may send as its picture: how long, and how it starts."""

    most_bytes: int = MOST_PICTURE_BYTES
    start: bytes = _PNG

    @property
    def most_answer_bytes(self) -> int:
        """Most that is read of the whole answer. The rest is never taken from the socket."""
        return MOST_REPLY_BYTES + self.most_bytes + 2 * _LENGTH.size


PREVIEW = Expected()


class NonsenseError(ValueError):
    """The worker's answer is too long, or not of the agreed form."""


def send_request(
    connection: socket.socket, request: dict[str, Any], descriptors: tuple[int, int]
) -> None:
    """Send a request with the descriptors of the file and of standard error. Raises: OSError."""
    body = json.dumps(request).encode()
    message = _LENGTH.pack(len(body)) + body
    sent = socket.send_fds(connection, [message], descriptors)
    connection.sendall(message[sent:])


def receive_request(connection: socket.socket) -> tuple[dict[str, Any], tuple[int, int]]:
    """Return a request and the two descriptors. Raises: NonsenseError, OSError."""
    head, descriptors, _, _ = socket.recv_fds(connection, _LENGTH.size, 2)
    if len(head) != _LENGTH.size or len(descriptors) != 2:
        raise NonsenseError("no length, or not two descriptors")
    (length,) = _LENGTH.unpack(head)
    if length > MOST_REQUEST_BYTES:
        raise NonsenseError("the request is too long")
    body = bytearray()
    while len(body) < length:
        piece = connection.recv(length - len(body))
        if not piece:
            raise NonsenseError("the request is cut off")
        body += piece
    return json.loads(body), (descriptors[0], descriptors[1])


def write_answer(descriptor: int, reply: dict[str, Any], picture: bytes) -> None:
    """Write a reply and a picture, which may be empty. Raises: OSError."""
    body = json.dumps(reply, allow_nan=False).encode()
    left = memoryview(_LENGTH.pack(len(body)) + body + _LENGTH.pack(len(picture)) + picture)
    while left:
        left = left[os.write(descriptor, left) :]


def read_answer(answer: bytes, expected: Expected = PREVIEW) -> tuple[dict[str, Any], bytes]:
    """Return the reply and the picture in a worker's answer. Raises: NonsenseError."""
    body, rest = _frame(answer, MOST_REPLY_BYTES)
    picture, rest = _frame(rest, expected.most_bytes)
    if rest or (picture and not picture.startswith(expected.start)):
        raise NonsenseError("no picture, or more than one")
    try:
        reply = json.loads(body, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise NonsenseError("no JSON") from error
    if not isinstance(reply, dict) or not _is_modest(reply, _DEEPEST):
        raise NonsenseError("a text or a list is too long")
    return reply, picture


def _frame(answer: bytes, most_bytes: int) -> tuple[bytes, bytes]:
    """Return the bytes behind a length, and what follows them."""
    if len(answer) < _LENGTH.size:
        raise NonsenseError("cut off")
    (length,) = _LENGTH.unpack_from(answer)
    end = _LENGTH.size + length
    if length > most_bytes or len(answer) < end:
        raise NonsenseError("cut off, or too long")
    return answer[_LENGTH.size : end], answer[end:]


def _refuse_constant(name: str) -> None:
    raise ValueError(name)


def _is_modest(value: Any, levels: int) -> bool:
    """Return whether no text, list or table in a JSON value is larger than a measurement's."""
    if isinstance(value, str):
        return len(value) <= _MOST_CHARACTERS
    if not isinstance(value, list | dict):
        return True
    if levels == 0 or len(value) > _MOST_ITEMS:
        return False
    parts = value if isinstance(value, list) else [*value, *value.values()]
    return all(_is_modest(part, levels - 1) for part in parts)
