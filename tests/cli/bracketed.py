"""Runs commands with every sentence of the catalogue in brackets, and prints what they print.

``python -m tests.cli.bracketed`` reads a JSON list of argument lists and writes a JSON list of
outputs. It is a separate process because the help is made when a module is loaded.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping

from click.testing import CliRunner

from controller.texts import Value, catalogue

FOREIGN = ("detail", "event", "message", "name", "note", "source", "warning")
"""Values that are texts of other parts of the program."""


class Outside(str):
    """A value that is shown outside the brackets of its sentence."""

    __slots__ = ()

    def __format__(self, spec: str) -> str:
        return f"⟧{str.__format__(self, spec)}⟦"


class BracketedCatalogue(catalogue.Catalogue):
    """Puts each sentence in brackets, and its other text values outside them."""

    def sentence(self, key: str, values: Mapping[str, Value]) -> str:
        shown = {
            name: Outside(it) if isinstance(it, str) and name not in FOREIGN else it
            for name, it in values.items()
        }
        return f"⟦{super().sentence(key, shown)}⟧"


def main() -> None:
    """Run the commands on standard input."""
    catalogue.CATALOGUE = BracketedCatalogue()
    from api.cli.command_line import main as command_line

    outputs = [CliRunner().invoke(command_line, it).output for it in json.load(sys.stdin)]
    json.dump(outputs, sys.stdout)


if __name__ == "__main__":
    main()
