"""The answer to restoring a backup."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described


class RestoreAnswer(Answer):
    """A backup that is checked and waiting for the restart."""

    made_at_utc: Annotated[
        str, described("When the backup was made.", NO_UNIT, "2026-03-14T09:15:00+00:00")
    ]
    restarts: Annotated[
        bool,
        described("Whether the controller restarts by itself now to finish.", NO_UNIT, True),
    ]
    message: Annotated[str, described("The same for a person.", NO_UNIT, "The backup is checked.")]
