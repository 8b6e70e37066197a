"""Options that describe how to read an artwork file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from controller.artwork.options import MeasureOptions
from controller.texts import text

_NAMES = (
    "dpi",
    "width_mm",
    "page",
    "invert",
    "plate_width_mm",
    "plate_height_mm",
    "margin_mm",
)

existing_file = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)

file_argument = click.argument("file", type=existing_file)


def reading_options(prefix: str) -> tuple[Any, ...]:
    """Return the options for reading an artwork file.

    :param prefix: comes after the ``--`` of each name.
    """
    return (
        click.option(f"--{prefix}dpi", type=float, help=text("command_line.artwork.dpi")),
        click.option(f"--{prefix}width-mm", type=float, help=text("command_line.artwork.width_mm")),
        click.option(
            f"--{prefix}page",
            type=int,
            default=1,
            show_default=True,
            help=text("command_line.artwork.page"),
        ),
        click.option(f"--{prefix}invert", is_flag=True, help=text("command_line.artwork.invert")),
        click.option(
            f"--{prefix}plate-width-mm",
            type=float,
            help=text("command_line.artwork.plate_width_mm"),
        ),
        click.option(
            f"--{prefix}plate-height-mm",
            type=float,
            help=text("command_line.artwork.plate_height_mm"),
        ),
        click.option(
            f"--{prefix}margin-mm", type=float, help=text("command_line.artwork.margin_mm")
        ),
    )


def read_options(values: dict[str, Any], prefix: str = "") -> MeasureOptions:
    """Move the reading options out of a command's values. Raises: RefusedError."""
    return MeasureOptions(**{name: values.pop(prefix + name) for name in _NAMES})
