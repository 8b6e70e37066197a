"""Reads the configuration file. What cannot be used is refused as a whole, with every problem."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller.config.problems import problems_of
from controller.config.settings import Settings
from controller.errors import RefusedError
from controller.texts import Message


class UnusableError(RefusedError):
    """A configuration that cannot be used.

    :param problems: every one of them.
    :param file: the file, or None for a table that comes from none.
    """

    def __init__(self, problems: Sequence[Message], file: str | None = None) -> None:
        lines = {"problems": "\n  ".join(map(str, problems))}
        if file is None:
            super().__init__("config.unusable", field="config", **lines)
        else:
            super().__init__("config.unusable_file", field="config", file=file, **lines)
        self.problems = tuple(problems)


def parse_settings(table: dict[str, Any]) -> Settings:
    """Return the settings in a parsed TOML table.

    Raises: UnusableError, which says of every wrong key its value and what is allowed.
    """
    try:
        return Settings.model_validate(table)
    except ValidationError as error:
        found = error.errors(include_url=False)
        raise UnusableError([it for one in found for it in problems_of(one)]) from None


def load_settings(path: Path) -> Settings:
    """Return the settings in the TOML file at ``path``.

    Raises: RefusedError when the file cannot be read, is not TOML, or has unknown or wrong keys.
    """
    return _settings_in(_table_in(path), str(path))


def load_wiring(path: Path) -> Settings:
    """Return the tables of rig and server alone, from a file in which others may be wrong.

    They say where off is asked. Raises: RefusedError, as ``load_settings``.
    """
    table = _table_in(path)
    wiring: dict[str, Any] = {name: table[name] for name in ("rig", "server") if name in table}
    return _settings_in(wiring, str(path))


def _table_in(path: Path) -> dict[str, Any]:
    file = str(path)
    try:
        with path.open("rb") as opened:
            return tomllib.load(opened)
    except OSError as error:
        problem = error.strerror or str(error)
        raise RefusedError(
            "config.unreadable", field="config", file=file, problem=problem
        ) from error
    except (ValueError, RecursionError) as error:
        # tomllib raises these also for bytes that are not UTF-8 and for numbers of 5,000 digits.
        raise RefusedError(
            "config.not_toml", field="config", file=file, problem=str(error)
        ) from error


def _settings_in(table: dict[str, Any], file: str) -> Settings:
    try:
        return parse_settings(table)
    except UnusableError as error:
        raise UnusableError(error.problems, file) from None
    except RecursionError as error:
        raise RefusedError("config.too_deep", field="config", file=file) from error
