"""The part of gpiod that looks at lines. Names: gpiod 2.2."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import lines

from gpiod.line import Direction, Value


@dataclass(frozen=True)
class LineSettings:
    direction: Direction


@dataclass(frozen=True)
class LineInfo:
    used: bool
    consumer: str


@dataclass(frozen=True)
class Request:
    def get_value(self, line: int) -> Value:
        return Value.ACTIVE if lines.level(line) else Value.INACTIVE


class Chip:
    def __init__(self, path: str) -> None:
        assert path == "/dev/gpiochip0", path

    def __enter__(self) -> Chip:
        return self

    def __exit__(self, *_error: object) -> None:
        pass

    def get_line_info(self, line: int) -> LineInfo:
        holder = lines.holder(line)
        return LineInfo(used=holder is not None, consumer=holder or "")


@contextmanager
def request_lines(path: str, config: dict[int, LineSettings], consumer: str) -> Iterator[Request]:
    Chip(path)
    ((line, settings),) = config.items()
    assert settings.direction is Direction.AS_IS, "a look does not change the line"
    if not lines.claim(line, consumer):
        raise OSError(16, "Device or resource busy")
    yield Request()
    lines.free(line)
