"""Turns a key and named values into a sentence.

What happened travels as a ``Message``: a key and values. The sentence is made at the edge, where
a person reads it: page, terminal, HTTP response, journal. The sentences themselves are in the
TOML files beside this module, one file for each part of the program. A key is the file's name,
then the path inside the file: ``guards.over_voltage.advice``.

An entry is a sentence with values in braces, formatted as by ``str.format``, except that a per cent
sign has a space before it: ``10 %``. Where the number of things decides between two sentences, the
entry is a table with ``one`` and ``many``, chosen by the value ``count``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from string import Formatter
from typing import Any, Union

FOLDER = Path(__file__).resolve().parent

FILE_NAME = re.compile(r"[a-z_]+")

Value = Union[str, int, float, datetime, Path, "Message"]
"""What a sentence may name. Numbers carry their unit in the name of the value."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something to say, not yet a sentence.

    :param key: where the sentence is in the catalogue.
    :param values: what it names; a value may be another message.
    """

    key: str
    values: Mapping[str, Value] = field(default_factory=dict)

    def __str__(self) -> str:
        return text(self.key, **self.values)

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)

    def to_json(self) -> dict[str, Any]:
        """Return key and values as JSON values, for the record."""
        return {"key": self.key, "values": {name: _plain(it) for name, it in self.values.items()}}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Message:
        """Return a stored message. Raises: KeyError, TypeError where it is not one."""
        values = {
            str(name): cls.from_json(it) if isinstance(it, Mapping) else it
            for name, it in stored["values"].items()
        }
        return cls(str(stored["key"]), values)


class _Filling(Formatter):
    """Formats as ``str.format`` does, with a space before a per cent sign."""

    def format_field(self, value: Any, format_spec: str) -> str:
        shown = format(value, format_spec)
        return f"{shown[:-1]} %" if format_spec.endswith("%") else shown


_FILLING = _Filling()


def filled(sentence: str, values: Mapping[str, Any]) -> str:
    """Return a sentence with its values. Raises: KeyError, ValueError where one does not fit."""
    return _FILLING.vformat(sentence, (), values)


class Catalogue:
    """The sentences of one folder. A file is read when a key of it is first asked for.

    After ``load`` the disk is never touched again: the control loop must not wait for a card.

    :param folder: holds the TOML files.
    """

    def __init__(self, folder: Path = FOLDER) -> None:
        self._folder = folder
        self._files: dict[str, Mapping[str, str]] = {}
        self._is_whole = False

    def load(self) -> Mapping[str, str]:
        """Read every file, so that no sentence needs the disk later; return all entries by key."""
        for path in sorted(self._folder.glob("*.toml")):
            self._file(path.stem)
        self._is_whole = True
        return {
            f"{file}.{key}": it for file, keys in self._files.items() for key, it in keys.items()
        }

    def sentence(self, key: str, values: Mapping[str, Value]) -> str:
        """Return the sentence.

        A mistake in the catalogue must never stand in the way of what has to be said, least of
        all of a trip: without a sentence, the key and the values are returned as they are.
        """
        file, _, rest = key.partition(".")
        entries = self._file(file)
        if "count" in values and rest not in entries:
            rest += ".one" if values["count"] == 1 else ".many"
        try:
            return filled(entries[rest], values)
        except (KeyError, ValueError, IndexError, TypeError, AttributeError):
            return ", ".join([key, *(f"{name} {it}" for name, it in values.items())])

    def part(self, file: str) -> Mapping[str, str]:
        """Return the entries of one file by their path inside it. Empty when there is no file."""
        return self._file(file)

    def _file(self, name: str) -> Mapping[str, str]:
        entries = self._files.get(name)
        if entries is None and (self._is_whole or FILE_NAME.fullmatch(name) is None):
            return {}  # a sentence that was stored as one, or no such file
        if entries is None:
            try:
                source = (self._folder / f"{name}.toml").read_text(encoding="utf-8")
                entries = dict(_flat(tomllib.loads(source)))
            except (OSError, ValueError):
                entries = {}
            self._files[name] = entries
        return entries


CATALOGUE = Catalogue()
"""The one that the program speaks from."""


def text(key: str, /, **values: Value) -> str:
    """Return the sentence for a key, its values filled in."""
    return CATALOGUE.sentence(key, values)


def text_or_none(key: str, /, **values: Value) -> str | None:
    """Return the sentence for a key, or None when the catalogue has no such key."""
    file, _, rest = key.partition(".")
    return CATALOGUE.sentence(key, values) if rest in CATALOGUE.part(file) else None


def _flat(table: Mapping[str, Any], path: str = "") -> list[tuple[str, str]]:
    entries: list[tuple[str, str]] = []
    for name, it in table.items():
        if isinstance(it, Mapping):
            entries += _flat(it, f"{path}{name}.")
        else:
            entries.append((f"{path}{name}", str(it)))
    return entries


def _plain(value: Value) -> Any:
    if isinstance(value, Message):
        return value.to_json()
    return value if isinstance(value, (str, int, float)) else str(value)
