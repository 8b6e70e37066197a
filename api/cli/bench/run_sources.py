"""Where the runs come from: the daemon's API, or the logbook file itself. Both give JSON values."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import quote, urlencode

from api.cli.bench.local import is_given, local_socket
from controller.errors import RefusedError

if TYPE_CHECKING:
    from api.cli.client import ApiClient
    from controller.config import Settings
    from controller.logbook.reader import RunSummary

PART_RUNS = 200
"""Most runs that the API lists at once."""

EXPORT_S = 60.0
"""Longest wait for a part of an export, s."""


class RunSource(Protocol):
    """Past runs, as JSON values with units in the keys."""

    def runs(self, limit: int, search: str) -> list[dict[str, Any]]:
        """Return runs, newest first."""

    def run(self, run_id: str) -> dict[str, Any]:
        """Return a run with its plan and events."""

    def csv(self, run_id: str) -> Iterator[str]:
        """Yield the one-second samples as CSV."""

    def samples(self, run_id: str) -> Iterator[dict[str, Any]]:
        """Yield the one-second samples."""


def run_source(settings: Settings, state_directory: Path) -> RunSource:
    """Return the daemon where it can be asked, else the file.

    A state directory or a configuration on the command line means its file.

    Raises: NotAllowedError when a daemon runs and this user may not ask it.
    """
    if not (is_given("state_directory") or is_given("settings")):
        local = local_socket(None)
        if local is not None:
            from api.cli.client import ApiClient

            return ApiRuns(ApiClient.through(local))
    path = state_directory / settings.logbook.path
    if _is_forbidden(path):
        raise RefusedError("command_line.local.not_readable", file=path)
    return FileRuns(path)


class FileRuns:
    """The runs in a file."""

    def __init__(self, path: Path) -> None:
        from controller.logbook.reader import LogbookReader

        self._reader = LogbookReader(path)

    def runs(self, limit: int, search: str) -> list[dict[str, Any]]:
        """Return runs, newest first."""
        return [_summary(run) for run in self._reader.list_runs(limit=limit, search=search).runs]

    def run(self, run_id: str) -> dict[str, Any]:
        """Return a run with its plan and events."""
        record = self._reader.run(run_id)
        events = [asdict(event) for event in self._reader.events(run_id)]
        return {**_summary(record.summary), "plan": record.plan, "events": events}

    def csv(self, run_id: str) -> Iterator[str]:
        """Yield the one-second samples as CSV."""
        from api.http.tables.csv_export import csv_lines

        self._reader.run(run_id)
        yield from csv_lines(self._reader.samples(run_id))

    def samples(self, run_id: str) -> Iterator[dict[str, Any]]:
        """Yield the one-second samples."""
        self._reader.run(run_id)
        for chunk in self._reader.samples(run_id):
            yield from map(asdict, chunk)


class ApiRuns:
    """The runs of a daemon."""

    def __init__(self, client: ApiClient) -> None:
        self._client = client

    def runs(self, limit: int, search: str) -> list[dict[str, Any]]:
        """Return runs, newest first."""
        found: list[dict[str, Any]] = []
        before: str | None = ""
        while before is not None and len(found) < limit:
            query = {"limit": min(PART_RUNS, limit - len(found)), "search": search}
            if before:
                query["before"] = before
            part = self._client.get(f"/api/runs?{urlencode(query)}")
            found += [_as_stored(run) for run in part["runs"]]
            before = part["next_before"]
        return found

    def run(self, run_id: str) -> dict[str, Any]:
        """Return a run with its plan and events."""
        address = f"/api/runs/{quote(run_id, safe='')}"
        told = self._client.get(address)
        events: list[dict[str, Any]] = []
        after: int | None = 0
        while after is not None:
            part = self._client.get(f"{address}/events?after={after}&limit=1000")
            events += [{**event, "at_utc": _iso(event["at_utc"])} for event in part["events"]]
            after = part["next_after"]
        return {**_as_stored(told["run"]), "plan": told["plan"], "events": events}

    def csv(self, run_id: str) -> Iterator[str]:
        """Yield the one-second samples as CSV."""
        from codecs import getincrementaldecoder

        decoder = getincrementaldecoder("utf-8")()
        for piece in self._pieces(run_id, "csv"):
            yield decoder.decode(piece)

    def samples(self, run_id: str) -> Iterator[dict[str, Any]]:
        """Yield the one-second samples."""
        yield from json.loads(b"".join(self._pieces(run_id, "json")))["samples"]

    def _pieces(self, run_id: str, kind: str) -> Iterator[bytes]:
        address = f"/api/runs/{quote(run_id, safe='')}/samples?format={kind}"
        return self._client.pieces(address, EXPORT_S)


def _is_forbidden(path: Path) -> bool:
    """Return whether the file belongs to another user, who keeps it closed."""
    try:
        return path.exists() and not os.access(path, os.R_OK)
    except PermissionError:
        return True


def _summary(run: RunSummary) -> dict[str, Any]:
    values = asdict(run)
    progress = values.pop("progress")
    values |= {"state": run.state.value, "reason": None if run.reason is None else run.reason.value}
    return {**values, **{key: value for key, value in progress.items() if key != "at_s"}}


def _as_stored(run: dict[str, Any]) -> dict[str, Any]:
    """Return a run of the API in the form of the file.

    The API leaves out ``number`` and ``boot_id``, which have a meaning in the file only.
    """
    times: dict[str, Any] = {name: _iso(run[name]) for name in ("started_at_utc", "ended_at_utc")}
    return {**run, **times, "number": None, "boot_id": None}


def _iso(time: str | None) -> str | None:
    if time is None:
        return None
    return datetime.fromisoformat(time).isoformat(timespec="milliseconds").replace("+00:00", "Z")
