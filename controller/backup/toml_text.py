"""The settings as TOML: the keys that the file in force has. Source: toml.io, version 1.0.0."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from controller.config import Settings


def toml_text(settings: Settings) -> str:
    """Return the settings that differ from the defaults or were written down."""
    given = settings.model_dump(mode="json", exclude_unset=True, exclude_none=True)
    return "\n".join(_table((name,), table) for name, table in given.items())


def _table(path: tuple[str, ...], table: Mapping[str, Any]) -> str:
    lines = [f"[{'.'.join(path)}]"]
    lines += [
        f"{name} = {json.dumps(it)}" for name, it in table.items() if not isinstance(it, Mapping)
    ]
    inner = [_table((*path, name), it) for name, it in table.items() if isinstance(it, Mapping)]
    return "\n".join([*lines, "", *inner])
