"""Masks: arrays that say which pixels belong to something."""

from __future__ import annotations

from controller.artwork.outline.chain import Bools


def neighbours(mask: Bools) -> Bools:
    """Return the pixels and their eight neighbours."""
    spread = mask.copy()
    spread[1:] |= mask[:-1]
    spread[:-1] |= mask[1:]
    tall = spread.copy()
    spread[:, 1:] |= tall[:, :-1]
    spread[:, :-1] |= tall[:, 1:]
    return spread
