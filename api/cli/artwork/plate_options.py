"""Several artworks on one plate: the options, and the plate file made from them."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import existing_file
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import text

if TYPE_CHECKING:
    from controller.artwork.planned import ArtworkFile

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_PLACED = re.compile(rf"(?P<file>.+)@(?P<x>{_NUMBER}),(?P<y>{_NUMBER})(?:,(?P<turn>{_NUMBER}))?")
_SIZE = re.compile(rf"(?P<width>{_NUMBER})\s*[x×]\s*(?P<height>{_NUMBER})", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class GivenFile:
    """A file with the place that a person gave it.

    :param place_mm: left and top edge on the plate after turning, or None.
    :param degrees: clockwise, or None.
    """

    path: Path
    place_mm: tuple[float, float] | None = None
    degrees: float | None = None


class _PlacedFile(click.ParamType):  # type: ignore[type-arg]
    """FILE, FILE@X_MM,Y_MM or FILE@X_MM,Y_MM,DEGREES. A file's name may contain @."""

    name = "file"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> GivenFile:
        """Return the file and its place."""
        if isinstance(value, GivenFile):
            return value
        found = _PLACED.fullmatch(str(value))
        is_name = found is None or (
            not Path(found["file"]).is_file() and Path(str(value)).is_file()
        )
        if found is None or is_name:
            return GivenFile(existing_file.convert(value, param, ctx))
        path = existing_file.convert(found["file"], param, ctx)
        turn = found["turn"]
        return GivenFile(
            path,
            (float(found["x"]), float(found["y"])),
            None if turn is None else float(turn),
        )

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Let the shell complete the name of the file."""
        return existing_file.shell_complete(ctx, param, incomplete)


class _Size(click.ParamType):  # type: ignore[type-arg]
    """WIDTHxHEIGHT in mm."""

    name = "size"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return width and height."""
        if isinstance(value, tuple):
            return value
        found = _SIZE.fullmatch(str(value).strip())
        if found is None:
            self.fail(text("command_line.plate.no_size", given=repr(value)), param, ctx)
        return float(found["width"]), float(found["height"])


artwork_option = click.option(
    "--artwork",
    type=_PlacedFile(),
    multiple=True,
    metavar="FILE[@X_MM,Y_MM[,DEGREES]]",
    help=text("command_line.plan.artwork"),
)

plate_options = (
    click.option(
        "--sheet-mm", type=_Size(), metavar="SIZE", help=text("command_line.plate.sheet_mm")
    ),
    click.option("--spacing-mm", type=float, help=text("command_line.plate.spacing_mm")),
    click.option("--border-mm", type=float, help=text("command_line.plate.border_mm")),
    click.option(
        "--save-plate",
        type=click.Path(dir_okay=False, path_type=Path),
        help=text("command_line.plate.save_plate"),
    ),
)

_NAMES = ("sheet_mm", "spacing_mm", "border_mm", "save_plate")


def artwork_of(values: dict[str, Any], options: MeasureOptions) -> ArtworkFile | None:
    """Move the artworks out of a command's values; several of them are put together on one plate.

    :param options: how to read each of them.
    Raises: RefusedError, MeasureFailedError.
    """
    files: tuple[GivenFile, ...] = values.pop("artwork")
    layout = {name: values.pop(name) for name in _NAMES}
    is_layout = any(value is not None for value in layout.values())
    if not files:
        if options != MeasureOptions() or is_layout:
            raise RefusedError("command_line.plan.no_artwork", field="artwork")
        return None
    if len(files) == 1 and files[0].place_mm is None and not is_layout:
        from controller.artwork.planned import ArtworkFile

        return ArtworkFile(files[0].path, options)
    if values["pieces"] != 1:
        raise RefusedError("command_line.plate.pieces", field="pieces", pieces=values["pieces"])
    return _put_together(files, options, **layout)


def _put_together(
    files: tuple[GivenFile, ...],
    options: MeasureOptions,
    *,
    sheet_mm: tuple[float, float] | None,
    spacing_mm: float | None,
    border_mm: float | None,
    save_plate: Path | None,
) -> ArtworkFile:
    """Return the plate file, which is gone when the command ends, unless it was to be saved."""
    from controller.artwork.assembly.arranging import BORDER_MM, SPACING_MM
    from controller.artwork.assembly.assembling import WantedPiece, put_together
    from controller.artwork.client import measure
    from controller.artwork.planned import ArtworkFile
    from controller.artwork.workplaces import Workplace

    sizes: dict[Path, tuple[float, float]] = {}
    for file in files:
        if file.path not in sizes:
            # A person's files on their machine: confined where it can be.
            found = measure(file.path, options, workplace=Workplace(accept_unconfined=True))
            sizes[file.path] = found.width_mm, found.height_mm
    pieces = [
        WantedPiece(it.path, it.path.name, options, sizes[it.path], it.place_mm, it.degrees)
        for it in files
    ]
    folder = click.get_current_context().with_resource(tempfile.TemporaryDirectory())
    target = Path(folder) / "plate.zip" if save_plate is None else save_plate
    made = put_together(
        target,
        pieces,
        sheet_mm=sheet_mm,
        spacing_mm=SPACING_MM if spacing_mm is None else spacing_mm,
        border_mm=BORDER_MM if border_mm is None else border_mm,
    )
    return ArtworkFile(target, MeasureOptions(), (made.width_mm, made.height_mm))
