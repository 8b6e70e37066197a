"""Limits that guard less than their defaults do."""

from __future__ import annotations

from controller.config.limits import LimitSettings
from controller.config.settings import Settings
from controller.config.shown import with_unit
from controller.texts import Message

LOWER_IS_WEAKER = frozenset(
    {
        "short_circuit_v",
        "lost_contact_fraction",
        "weak_contact_fraction",
        "edge_depth_factor",
        "min_run_s",
    }
)
"""The limits that guard less when they are lower. All others guard less when they are higher."""


def weaker_limits(settings: Settings) -> tuple[Message, ...]:
    """Return each limit that is weaker than its default, with both values.

    Raises: RefusedError when no range of the sensor holds ``rig.max_current_a``.
    """
    found = []
    for name, field in LimitSettings.model_fields.items():
        value, default = getattr(settings.limits, name), field.default
        if name == "max_zero_offset_v":  # without a value, it is the limit of the data sheet
            default = settings.rig.spec.max_zero_offsets_v[settings.rig.range_index]
        if value is None or value == default:
            continue
        if (value < default) == (name in LOWER_IS_WEAKER):
            shown = {"value": with_unit(value, name), "default": with_unit(default, name)}
            found.append(Message("config.weaker", {"key_name": f"limits.{name}", **shown}))
    return tuple(found)
