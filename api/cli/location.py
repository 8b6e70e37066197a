"""Where the configuration and the records of this machine are.

A command looks in the same places as every other: what is given to it, then the installed bench.
The defaults of the settings apply only on a machine where nothing is installed. A configuration
that is there and cannot be used is refused, and the defaults never take its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.config import Settings

INSTALLED_CONFIG = Path("/etc/biteclock/biteclock.toml")
INSTALLED_STATE = Path("/var/lib/biteclock")
"""Where systemd/install.sh and the unit put configuration and records."""

CONFIG_VARIABLE = "BITECLOCK_CONFIG"
STATE_VARIABLE = "BITECLOCK_STATE_DIRECTORY"
"""Environment variables that name another configuration and another state directory."""


@dataclass(frozen=True, slots=True)
class Place:
    """The configuration that a command works with.

    :param file: None when nothing was given and nothing is installed: the defaults apply.
    :param is_given: named by option or environment, and not found by itself.
    """

    file: Path | None
    is_given: bool

    @property
    def is_installed(self) -> bool:
        """Whether it is the configuration of the installed bench."""
        return self.file == INSTALLED_CONFIG

    def settings(self) -> Settings:
        """Return the settings in the file, or the defaults without one. Raises: RefusedError."""
        from controller.config import Settings, load_settings  # help does not need them

        return Settings() if self.file is None else load_settings(self.file)

    def for_rehearsal(self) -> Settings:
        """Return the settings of a rehearsal. Raises: RefusedError.

        A configuration that was given counts as it is. From an installed one that was found, a
        rehearsal takes what decides how a run goes: limits, loop, metals, sensor and shunt. It
        leaves the pins, the port and the logbook to the bench.
        """
        settings = self.settings()
        if self.is_given:
            return settings
        from controller.config import Settings

        defaults = Settings()
        model = ("sensor", "shunt_ohm", "shunt_tolerance_fraction", "max_current_a")
        rig = defaults.rig.model_copy(update={it: getattr(settings.rig, it) for it in model})
        return settings.model_copy(
            update={"rig": rig, "server": defaults.server, "logbook": defaults.logbook}
        )


def locate(given: Path | None) -> Place:
    """Return the configuration that was given, else the installed one, else the defaults."""
    if given is not None:
        return Place(given, is_given=True)
    return Place(INSTALLED_CONFIG if _is_there(INSTALLED_CONFIG) else None, is_given=False)


def state_directory(given: Path | None, place: Place) -> Path:
    """Return the state directory that was given, else that of the configuration."""
    if given is not None:
        return given
    return INSTALLED_STATE if place.is_installed else Path()


def _is_there(file: Path) -> bool:
    """Return whether there is such a file, readable or not, also a link that leads nowhere."""
    try:
        file.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True  # it may be there: to read it is then refused with the reason
    return True
