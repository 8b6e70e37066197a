"""Values of gpiod.line."""

from enum import Enum


class Direction(Enum):
    AS_IS = 1


class Value(Enum):
    INACTIVE = 0
    ACTIVE = 1
