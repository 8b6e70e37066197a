"""Errors that a person can act on: what happened, the value, the limit, and what to do.

An error carries a message: a key of the catalogue and named values. ``str(error)`` is the sentence.
"""

from __future__ import annotations

from typing import Any

from controller.texts import Message, Value, text_or_none


class BiteclockError(Exception):
    """Base of every error that this project raises on purpose.

    :param key: key of the sentence in the catalogue.
    :param values: what the sentence names, units in the names.
    """

    def __init__(self, key: str, /, **values: Value) -> None:
        super().__init__(key)
        self.message = Message(key, values)

    def __str__(self) -> str:
        return str(self.message)

    def __reduce__(self) -> tuple[Any, ...]:
        """Return what copies the error into another process, with every attribute."""
        return _rebuilt, (type(self), self.message.key, dict(self.message.values)), self.__dict__


def _rebuilt(kind: type[BiteclockError], key: str, values: dict[str, Value]) -> BiteclockError:
    error = kind.__new__(kind, key)
    BiteclockError.__init__(error, key, **values)
    return error


class RefusedError(BiteclockError, ValueError):
    """Input that cannot be used.

    :param key: key of the sentence; beside it, ``<key>_limit`` may name the limit with its unit.
    :param field: the input's name, units included (``depth_mm``), or None when it concerns several.
    :param limit: the limit with its unit where there is no ``<key>_limit``, or None.
    """

    def __init__(
        self, key: str, /, *, field: str | None = None, limit: str | None = None, **values: Value
    ) -> None:
        super().__init__(key, **values)
        self.field = field
        self._limit = limit

    @property
    def limit(self) -> str | None:
        """The limit with its unit, or None where there is none."""
        return self._limit or text_or_none(f"{self.message.key}_limit", **self.message.values)


class WrongStateError(BiteclockError, RuntimeError):
    """The present state does not allow the command. The message says what is possible."""


class LateCommandError(BiteclockError, RuntimeError):
    """The command was given too long ago."""


class OtherRunError(BiteclockError, RuntimeError):
    """The command was meant for another run."""


class RelayRevokedError(BiteclockError, RuntimeError):
    """The gate refuses to turn the relay on: a request for off is pending."""


class LoopNotAliveError(BiteclockError, RuntimeError):
    """The control loop did not answer in time. A request for off still reaches the relay."""


class SensorError(BiteclockError, OSError):
    """The sensor could not be read. A run ends on it."""


class SensorResetError(SensorError):
    """The sensor lost its configuration: the chip lost power for a moment and restarted."""
