"""``biteclock backup`` and ``biteclock restore``: through the daemon, or directly without one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from api.cli.bench.local import NoSocketError, asking, is_given, local_client
from api.cli.options import config_option, state_directory_option
from api.cli.printing import help_of, say
from controller.errors import BiteclockError, RefusedError

if TYPE_CHECKING:
    from api.cli.client import ApiClient
    from controller.backup.form import Places
    from controller.config import Settings

ANSWER_S = 1800.0
"""Longest wait, s: a card takes minutes for a large logbook."""


@click.command(help=help_of("command_line.backup"))
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@config_option
@state_directory_option
@asking
def backup(file: Path, settings: Settings, state_directory: Path) -> None:
    """Write a backup to a new file, whole or not at all."""
    from controller.backup.form import BackupFailedError
    from controller.backup.reading import read_manifest

    if file.exists():
        raise RefusedError("command_line.backup.exists", field="file", file=file)
    part = file.with_name(f".{file.name}.part")
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            with os.fdopen(descriptor, "wb") as target:
                for piece in _pieces(settings, state_directory):
                    target.write(piece)
                target.flush()
                os.fsync(target.fileno())
            manifest = read_manifest(part)
            os.link(part, file)  # fails where the file has come into being meanwhile
        finally:
            part.unlink(missing_ok=True)
    except BiteclockError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise BackupFailedError(
            "command_line.backup.not_written", file=file, system_message=reason
        ) from error
    size_mb = file.stat().st_size / 1e6
    say("command_line.backup.done", file=file, size_mb=size_mb, files=len(manifest.files))


@click.command(help=help_of("command_line.restore"))
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@config_option
@state_directory_option
@asking
def restore(file: Path, settings: Settings, state_directory: Path) -> None:
    """Restore a backup, checked before anything is replaced."""
    client = _daemon()
    if client is not None:
        from controller.backup.form import MEDIA_TYPE

        size_bytes = file.stat().st_size
        with file.open("rb") as source:
            answer = client.upload("/api/restore", source, size_bytes, MEDIA_TYPE, ANSWER_S)
        click.echo(answer["message"])
        return
    _restore_directly(file, _places(settings, state_directory))


def _restore_directly(file: Path, places: Places) -> None:
    from api.main import machine_clock
    from controller.backup.restoring import finish, kept_settings, stage
    from controller.logbook.store import claim_file

    claim = claim_file(places.logbook)
    try:
        _refuse_unfinished(places.logbook)
        manifest = stage(file, places, machine_clock())
        stamp = finish(places)
    finally:
        os.close(claim)
    if stamp is None:
        return
    say("backup.restored", made_at=manifest.made_at, stamp=stamp)
    kept = kept_settings(places, stamp)
    if kept.exists():
        say("backup.settings_kept", file=kept)


def _refuse_unfinished(logbook: Path) -> None:
    """Raise RefusedError where the logbook holds a run that somebody may resume.

    This program cannot resume a run of a logbook that is missing or that it cannot read.
    """
    from controller.logbook.reader import LogbookReader, LogbookUnreadableError, unfinished_runs

    try:
        with LogbookReader(logbook).connected() as connection:
            runs = unfinished_runs(connection)
    except (LogbookUnreadableError, RefusedError):
        return
    if runs:
        raise RefusedError("backup.unfinished_run", field="file", run=runs[0].run_id, file=logbook)


def _pieces(settings: Settings, state_directory: Path) -> Iterator[bytes]:
    client = _daemon()
    if client is not None:
        return client.pieces("/api/backup", ANSWER_S)
    from api.main import VERSION, machine_clock
    from controller.backup.writing import backup_pieces

    return backup_pieces(
        _places(settings, state_directory),
        settings,
        made_at_utc=machine_clock().utc_now(),
        program_version=VERSION,
    )


def _daemon() -> ApiClient | None:
    """Return the daemon's client, or None where its files are to be used directly.

    Raises: NotAllowedError.
    """
    try:
        return local_client(_given_directory())
    except NoSocketError:
        return None


def _given_directory() -> Path | None:
    if not is_given("state_directory"):
        return None
    directory: Path = click.get_current_context().params["state_directory"]
    return directory


def _places(settings: Settings, state_directory: Path) -> Places:
    from controller.backup.form import Places

    if not state_directory.is_dir() or not os.access(state_directory, os.R_OK | os.X_OK):
        raise RefusedError(
            "command_line.backup.no_directory", field="state_directory", folder=state_directory
        )
    return Places(state_directory / settings.logbook.path, state_directory)
