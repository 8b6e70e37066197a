"""Where backups are asked for: one at a time, and none restored during a run."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.backup.form import FREE_BYTES, BackupFailedError, Places
from controller.backup.reading import Manifest
from controller.backup.restoring import INCOMING, discard, is_staged, stage
from controller.backup.writing import backup_pieces
from controller.config import Settings
from controller.errors import WrongStateError
from controller.messages import RunState
from controller.ports import Clock
from controller.texts import Message

RESTORABLE = (RunState.IDLE, RunState.FINISHED, RunState.STOPPED)
"""States in which no run is lost by a restart."""


class BackupDesk:
    """Makes backups, and stages those that are restored at the next start.

    Calls block. Safe from any thread.

    :param state: returns the state of the rig.
    :param why_not_known: returns why that may not show an interrupted run yet (the logbook is being
        read), or None when it does.
    :param restart: ends the daemon for a service manager that starts it again; None without one.
    """

    def __init__(
        self,
        places: Places,
        settings: Settings,
        clock: Clock,
        *,
        program_version: str,
        state: Callable[[], RunState],
        why_not_known: Callable[[], Message | None],
        restart: Callable[[], None] | None = None,
    ) -> None:
        self._places = places
        self._settings = settings
        self._clock = clock
        self._program_version = program_version
        self._state = state
        self._why_not_known = why_not_known
        self.restart = restart
        self._turn = threading.Lock()
        self._is_pending = is_staged(places)

    def pieces(self) -> Iterator[bytes]:
        """Yield a backup. Raises: BackupFailedError, LogbookUnreadableError."""
        with self._held():
            yield from backup_pieces(
                self._places,
                self._settings,
                made_at_utc=self._clock.utc_now(),
                program_version=self._program_version,
            )

    def file_name(self) -> str:
        """Return a name for a backup that is made now."""
        return f"biteclock-{self._clock.utc_now():%Y%m%d-%H%M%S}.zip"

    def refuse_in_run(self) -> None:
        """Raise WrongStateError where a restart would end or forget a run."""
        why = self._why_not_known()
        if why is not None:
            raise WrongStateError(why.key, **why.values)
        state = self._state()
        if state not in RESTORABLE:
            raise WrongStateError("backup.in_a_run", state=state.value)

    @contextmanager
    def incoming(self, expected_bytes: int) -> Iterator[Path]:
        """Yield the path to which an upload is written. It is gone afterwards.

        Raises: BackupFailedError where another backup is under way or the card has no room.
        """
        free_bytes = shutil.disk_usage(self._places.state_directory).free
        if free_bytes < expected_bytes + FREE_BYTES:
            raise BackupFailedError(
                "backup.no_room",
                free_mb=free_bytes / 1e6,
                needed_mb=(expected_bytes + FREE_BYTES) / 1e6,
            )
        with (
            self._held(),
            tempfile.TemporaryDirectory(
                prefix=INCOMING, dir=self._places.state_directory
            ) as directory,
        ):
            yield Path(directory) / "backup.zip"

    def stage(self, file: Path) -> Manifest:
        """Check a backup and prepare it for the next start. Until then no run may begin.

        Raises: WrongStateError, BackupRefusedError, BackupFailedError.
        """
        self.refuse_in_run()
        self._is_pending = True
        try:
            manifest = stage(file, self._places, self._clock)
            try:
                self.refuse_in_run()  # a run that was accepted just before nothing could begin
            except WrongStateError:
                discard(self._places)
                raise
            return manifest
        finally:
            self._is_pending = is_staged(self._places)

    @property
    def restarts(self) -> bool:
        """Whether a service manager starts the daemon again."""
        return self.restart is not None

    def restart_now(self) -> None:
        """Have the daemon started again, unless a run is under way."""
        if self.restart is not None and self._state() in RESTORABLE:
            self.restart()

    def not_ready(self) -> Message | None:
        """Return why no run may begin, or None when no backup waits."""
        return Message("backup.pending") if self._is_pending else None

    @contextmanager
    def _held(self) -> Iterator[None]:
        if not self._turn.acquire(blocking=False):
            raise BackupFailedError("backup.busy")
        try:
            yield
        finally:
            self._turn.release()
