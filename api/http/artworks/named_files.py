"""Refusals of an artwork name its file, never its path on the bench."""

from __future__ import annotations

from pathlib import Path

from controller.artwork.cache import MeasureFunction
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, MeasureFailedError
from controller.errors import RefusedError
from controller.texts import Message, Value


def without_paths(measure: MeasureFunction) -> MeasureFunction:
    """Return the function with messages that contain the file's name, but not its whole path.

    Libraries put the path into their messages.
    """

    def measure_by_name(
        path: Path, options: MeasureOptions, *, preview_path: Path | None
    ) -> ArtworkMeasure:
        try:
            return measure(path, options, preview_path=preview_path)
        except RefusedError as error:
            message = _named_only(error.message, path)
            raise RefusedError(
                message.key, field=error.field, limit=error.limit, **message.values
            ) from error
        except MeasureFailedError as error:
            message = _named_only(error.message, path)
            raise MeasureFailedError(message.key, **message.values) from error

    return measure_by_name


def _named_only(message: Message, path: Path) -> Message:
    """Return a message with the file's name in place of its path."""

    def clean(value: Value) -> Value:
        if isinstance(value, Message):
            return _named_only(value, path)
        if isinstance(value, str | Path):
            return str(value).replace(str(path.resolve()), path.name)
        return value

    return Message(
        str(clean(message.key)), {name: clean(value) for name, value in message.values.items()}
    )
