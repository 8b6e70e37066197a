"""Makes the source distribution whole: setuptools by itself takes the packages and README alone.

``pyproject.toml`` names this class. A MANIFEST.in would do the same at the top of the project.
"""

from __future__ import annotations

from pathlib import Path

from setuptools.command.sdist import sdist

PARTS = (".ci", "DEVELOPERS.md", "Makefile", "api", "controller", "hardware", "systemd", "tests")


class SourceDistribution(sdist):
    """Adds everything that ``make test``, ``make demo`` and install.sh need."""

    def make_distribution(self) -> None:
        """Pack the files, after adding those of ``PARTS``."""
        for part in map(Path, PARTS):
            files = sorted(part.rglob("*")) if part.is_dir() else [part]
            self.filelist.extend(
                str(path)
                for path in files
                if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
            )
        self.filelist.sort()
        self.filelist.remove_duplicates()
        super().make_distribution()
