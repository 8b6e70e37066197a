"""Ask the program that is to be installed, by its own Python: for install.sh.

``config FILE`` checks a configuration; ``convert COPY`` converts a copy of the logbook and prints
the newest format that the program reads.
Exit status 0; 1 with the reason; 3 for a logbook of a newer format.
"""

import sys
from pathlib import Path

from controller.config import load_settings
from controller.errors import BiteclockError, RefusedError
from controller.logbook import schema


def convert(copy: Path) -> int:
    """Convert the copy as the daemon will convert the logbook; print the newest format."""
    try:
        connection = schema.connect(copy, 1.0)
        try:
            schema.migrate(connection, schema.identify(connection, copy))
        finally:
            connection.close()
    except RefusedError as error:
        print(error)
        print(len(schema.MIGRATIONS))
        return 3
    except Exception as error:
        if not schema.is_damage(error):
            raise
        print("the logbook is damaged: the daemon will set it aside and begin a new one")
    print(len(schema.MIGRATIONS))
    return 0


def main(command: str, path: Path) -> int:
    """Return the exit status of one command."""
    if command == "convert":
        return convert(path)
    try:
        load_settings(path)
    except BiteclockError as error:
        print(error)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], Path(sys.argv[2])))
