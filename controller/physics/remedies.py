"""Ways to even a plate out. Pure; the measuring process computes what each one is worth."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Remedy:
    """A way to even a plate out.

    :param name: a key of the catalogue under ``artwork.remedy``.
    :param depth_ratio: depth of the deepest twentieth over that of the widest floor's middle, with
        the remedy.
    """

    name: str
    depth_ratio: float
