"""A program of another version: the project with fewer, or more, formats of the logbook.

``versioned_program.py FORMAT SCRIPT …`` runs a script of install.sh with that many formats;
``versioned_program.py FORMAT daemon LOGBOOK`` opens the logbook as that version's daemon does.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

from controller.logbook import schema

FUTURE = "CREATE TABLE of_the_future (number INTEGER PRIMARY KEY) STRICT;"


def scripts(newest: int) -> tuple[str, ...]:
    """Return the conversions that a program with this newest format has."""
    missing = newest - len(schema.MIGRATIONS)
    return (*schema.MIGRATIONS[:newest], *[FUTURE] * missing)


def make(path: Path, newest: int) -> None:
    """Open the logbook, new or older, and convert it. Raises: RefusedError for a newer one."""
    connection = schema.connect(path, 1.0)
    try:
        version = schema.identify(connection, path, newest)
        schema.migrate(connection, version, scripts(newest))
    finally:
        connection.close()


if __name__ == "__main__":
    newest = int(sys.argv[1])
    if sys.argv[2] == "daemon":
        make(Path(sys.argv[3]), newest)
    else:
        schema.identify.__defaults__ = (newest,)
        schema.migrate.__defaults__ = (scripts(newest),)
        schema.MIGRATIONS = scripts(newest)
        sys.argv = sys.argv[2:]
        runpy.run_path(sys.argv[0], run_name="__main__")
