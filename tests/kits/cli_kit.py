"""Commands of ``biteclock`` called in this process, for the tests of the command line."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from click.testing import CliRunner, Result

from api.cli.command_line import main


@dataclass(frozen=True)
class Command:
    """One command by its name."""

    name: str

    def call(self, *arguments: object) -> Result:
        return CliRunner().invoke(main, [self.name, *map(str, arguments)])

    def json_of(self, *arguments: object, status: int = 0) -> dict[str, Any]:
        result = self.call(*arguments, "--json")
        assert result.exit_code == status, result.output
        values: dict[str, Any] = json.loads(result.stdout)
        return values

    def refused(self, *arguments: object) -> str:
        """Return what is said, in one line."""
        result = self.call(*arguments)
        assert result.exit_code == 2, result.output
        assert result.exception is None or isinstance(result.exception, SystemExit)
        return " ".join(result.output.split())
