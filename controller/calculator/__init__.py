"""Calls functions in another process, so that long calculations never delay the control loop.

A calculation in one of the daemon's own threads holds the interpreter's lock. The loop gives that
lock away at each transfer on the bus, and would have to wait for it.
"""

from controller.calculator.calculator import Calculator

__all__ = ["Calculator"]
