"""Calls the commands of ``biteclock`` in the test's own process."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from click.testing import CliRunner, Result

from api.cli.command_line import main
from api.cli.options import Refusal
from controller.errors import BiteclockError, RefusedError

PLATE = (
    *("--metal", "fine-silver"),
    *("--area-cm2", "7.67"),
    *("--depth-mm", "0.25"),
    *("--current-a", "3"),
    *("--thickness-mm", "1.2"),
)
"""The options of a plan for a plate that takes ten minutes."""


@dataclass(frozen=True)
class Command:
    """One command.

    :param name: its name.
    """

    name: str

    def call(self, *arguments: object) -> Result:
        """Return what the command prints, and its exit status."""
        return CliRunner().invoke(main, [self.name, *map(str, arguments)])

    def json_of(self, *arguments: object, status: int = 0) -> dict[str, Any]:
        """Return the object that the command prints with ``--json``."""
        result = self.call(*arguments, "--json")
        assert result.exit_code == status, result.output
        values: dict[str, Any] = json.loads(result.stdout)
        return values

    def usage_error(self, *arguments: object) -> str:
        """Return the output of a call that is refused, in one line."""
        result = self.call(*arguments)
        assert result.exit_code == 2, result.output
        assert isinstance(result.exception, SystemExit), result.exception
        return " ".join(result.output.split())

    def refused(self, *arguments: object) -> BiteclockError:
        """Return the error behind a refusal, which click would print with exit status 2."""
        called = [self.name, *map(str, arguments)]
        refusal = CliRunner().invoke(main, called, standalone_mode=False).exception
        assert isinstance(refusal, Refusal), refusal
        assert refusal.exit_code == 2
        error = refusal.__cause__
        assert isinstance(error, BiteclockError), error
        assert refusal.format_message() == str(error)
        return error

    def refused_field(self, *arguments: object) -> str | None:
        """Return the input that a refusal names."""
        error = self.refused(*arguments)
        assert isinstance(error, RefusedError), error
        return error.field

    def refused_key(self, *arguments: object) -> str:
        """Return the key of a refusal's sentence."""
        return self.refused(*arguments).message.key
