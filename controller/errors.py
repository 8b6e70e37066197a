"""Errors that a person can act on: each message says what, the value and the limit with their units, and what to do."""

from __future__ import annotations


class BiteclockError(Exception):
    """Base of every error this project raises on purpose."""


class RefusedError(BiteclockError, ValueError):
    """Input that cannot be used.

    :param message: what is wrong, with value, limit and what to do.
    :param field: the input's name, units included (``depth_mm``), or None when it concerns several.
    :param limit: the limit as text with its unit, or None.
    """

    def __init__(self, message: str, *, field: str | None = None, limit: str | None = None) -> None:
        super().__init__(message)
        self.field = field
        self.limit = limit


class WrongStateError(BiteclockError, RuntimeError):
    """A command that the present state does not take. The message names the state and what is possible instead."""


class RelayRevokedError(BiteclockError, RuntimeError):
    """The gate refuses to energise the relay: somebody asked for off and nobody has acknowledged it."""


class LoopNotAliveError(BiteclockError, RuntimeError):
    """The control loop did not answer in time. The relay has been told to turn off where that was asked for."""


class SensorError(BiteclockError, OSError):
    """The sensor could not be read. A run ends on it."""


class SensorResetError(SensorError):
    """The sensor's configuration is not the one that was written: the chip lost its supply and restarted."""
