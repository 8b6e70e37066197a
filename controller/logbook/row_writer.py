"""Turns each entry into rows. Store, in store.py, opens the transaction around them."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from typing import Any

from controller.errors import RefusedError
from controller.figures import FIGURES_OF_A_SECOND, values_of
from controller.logbook import statements
from controller.logbook.entries import (
    BathEvent,
    BathSaved,
    Checkpoint,
    Entry,
    Mean,
    Progress,
    RawSamples,
    ReadingTaken,
    RunBegan,
    RunFacts,
    StateChanged,
    is_unfinished,
)
from controller.logbook.values import finite, finite_or_none, json_text, plain_text, utc_text, whole
from controller.messages import Event


class RowWriter:
    """Writes entries into the tables, inside the caller's transaction.

    :param boot_id: names this boot, stored with every monotonic time.
    """

    def __init__(self, connection: sqlite3.Connection, boot_id: str) -> None:
        self._connection = connection
        self._boot_id = boot_id
        self._boot: int | None = None
        self._last_asked: tuple[str, int] | None = None

    def forget(self) -> None:
        """Forget the numbers of runs and boots: the transaction that gave them was undone."""
        self._boot = None
        self._last_asked = None

    def write(self, entry: Entry) -> None:
        """Write an entry. Raises: RefusedError, TypeError, ValueError or sqlite3.Error."""
        if isinstance(entry, RunBegan):
            self._write_run(entry)
        elif isinstance(entry, StateChanged):
            self._write_state(entry)
        elif isinstance(entry, Checkpoint):
            number = self._number(entry.run_id)
            self._write_progress(number, entry.progress)
            self._write_kept(number, entry.kept)
        elif isinstance(entry, Event):
            self._write_event(entry)
        elif isinstance(entry, Mean):
            self._write_mean(entry)
        elif isinstance(entry, BathSaved):
            self._write_bath(entry)
        elif isinstance(entry, ReadingTaken):
            self._write_reading(entry)
        elif isinstance(entry, BathEvent):
            self._write_bath_event(entry)
        else:
            self._write_raws(entry)

    def _write_run(self, run: RunBegan) -> None:
        """Write the run, even when its plan or settings cannot be kept: other rows refer to it."""
        papers: dict[str, int] = {}
        refused: ValueError | TypeError | None = None
        for name, paper in (("plan", run.plan), ("settings", run.settings)):
            try:
                body = json_text(paper)
            except (ValueError, TypeError) as error:
                refused = error
                body = json_text({"not_kept": f"{name}: {error}"})
            papers[name] = self._paper(body)
        words = " ".join(word for word in (run.piece, run.metal, run.bath) if word)
        facts = {name: _storable(value) for name, value in values_of(run, RunFacts).items()}
        values = {
            **facts,
            **papers,
            "started_at_utc": utc_text(run.started_at_utc),
            "search_text": plain_text(words.casefold()),
        }
        self._connection.execute(statements.INSERT_RUN, values)
        self._connection.execute(
            statements.INSERT_PROGRESS,
            (self._number(run.run_id), self._boot_number(), finite(run.at_s)),
        )
        if refused is not None:
            raise refused

    def _write_state(self, change: StateChanged) -> None:
        number = self._number(change.run_id)
        state = (
            str(change.state),
            None if change.reason is None else str(change.reason),
            None if change.message is None else plain_text(change.message),
            not is_unfinished(change.state, change.reason),
            utc_text(change.at_utc),
            number,
        )
        self._connection.execute(statements.UPDATE_STATE, state)
        self._write_progress(number, change.progress)
        self._write_kept(number, change.kept)

    def _write_kept(self, number: int, kept: Mapping[str, Any] | None) -> None:
        """Replace a run's checkpoint. An older one never remains beside newer progress."""
        self._connection.execute(statements.DROP_CHECKPOINT, (number,))
        if kept is not None:
            self._connection.execute(statements.KEEP_CHECKPOINT, (number, json_text(kept)))

    def _write_progress(self, number: int, progress: Progress) -> None:
        figures = {name: finite_or_none(value) for name, value in values_of(progress).items()}
        self._connection.execute(
            statements.UPDATE_PROGRESS, {**figures, "boot": self._boot_number(), "run": number}
        )

    def _write_event(self, event: Event) -> None:
        self._connection.execute(
            statements.INSERT_EVENT,
            (
                None if event.run_id is None else self._number(event.run_id),
                self._boot_number(),
                finite(event.at_s),
                utc_text(event.at_utc),
                finite(event.on_time_s),
                str(event.kind),
                plain_text(event.text),
                None if event.data is None else json_text(event.data),
            ),
        )

    def _write_bath(self, bath: BathSaved) -> None:
        texts = [plain_text(text) for text in (bath.name, bath.metal, bath.acid)]
        rest = (
            finite_or_none(bath.volume_l),
            bath.made_up_on,
            plain_text(bath.note),
            int(bath.is_retired),
        )
        weighed_at_utc = bath.attack_weighed_at_utc
        attack = (
            finite_or_none(bath.water_parts),
            finite_or_none(bath.bottle_percent),
            finite_or_none(bath.usual_degc),
            finite_or_none(bath.attack_um_per_min),
            finite_or_none(bath.attack_sd_ln),
            finite_or_none(bath.attack_degc),
            None if weighed_at_utc is None else utc_text(weighed_at_utc),
        )
        values = (*texts, *rest, utc_text(bath.saved_at_utc), *attack)
        self._connection.execute(statements.INSERT_BATH, values)

    def _write_bath_event(self, event: BathEvent) -> None:
        values = (event.event_id, plain_text(event.bath), str(event.kind), utc_text(event.at_utc))
        self._connection.execute(statements.INSERT_BATH_EVENT, (*values, json_text(event.body)))

    def _write_reading(self, reading: ReadingTaken) -> None:
        values = (
            reading.reading_id,
            self._number(reading.run_id),
            str(reading.kind),
            utc_text(reading.at_utc),
        )
        self._connection.execute(
            statements.INSERT_READING, (*values, reading.replaces, json_text(reading.body))
        )

    def _write_mean(self, mean: Mean) -> None:
        figures = {
            kept.column: _in_parts(getattr(mean, name), kept.parts)
            for name, kept in FIGURES_OF_A_SECOND.items()
        }
        self._connection.execute(
            statements.INSERT_MEAN,
            {**figures, "run": self._number(mean.run_id), "elapsed_s": mean.elapsed_s},
        )

    def _write_raws(self, raws: RawSamples) -> None:
        number = self._number(raws.run_id)
        rows = [
            (
                number,
                whole(raw.elapsed_s, 1e6),
                whole(raw.current_a, 1e6),
                whole(raw.voltage_v, 1e6),
                int(raw.saturated),
                int(raw.averaged),
            )
            for raw in raws.samples
        ]
        self._connection.executemany(statements.INSERT_RAW, rows)

    def _number(self, run_id: str) -> int:
        if self._last_asked is not None and self._last_asked[0] == run_id:
            return self._last_asked[1]
        row = self._connection.execute("SELECT number FROM runs WHERE id = ?", (run_id,)).fetchone()
        if row is None:
            raise RefusedError("logbook.refused.no_run", field="run_id", run=repr(run_id))
        self._last_asked = run_id, int(row[0])
        return self._last_asked[1]

    def _boot_number(self) -> int:
        if self._boot is None:
            self._connection.execute(
                "INSERT INTO boots (boot_id) VALUES (?) ON CONFLICT DO NOTHING", (self._boot_id,)
            )
            row = self._connection.execute(
                "SELECT number FROM boots WHERE boot_id = ?", (self._boot_id,)
            ).fetchone()
            self._boot = int(row[0])
        return self._boot

    def _paper(self, body: str) -> int:
        """Return the number of a text. Runs with the same text share one row."""
        digest = hashlib.sha256(body.encode()).digest()
        self._connection.execute(
            "INSERT INTO papers (digest, body) VALUES (?, ?) ON CONFLICT DO NOTHING", (digest, body)
        )
        row = self._connection.execute(
            "SELECT number FROM papers WHERE digest = ?", (digest,)
        ).fetchone()
        return int(row[0])


def _storable(value: str | float | None) -> str | float | None:
    """Return a text or a number as the file can hold it."""
    return plain_text(value) if isinstance(value, str) else finite_or_none(value)


def _in_parts(value: float | None, parts: float | None) -> float | None:
    """Return a figure of one second as its column holds it."""
    return finite_or_none(value) if parts is None else whole(value, parts)
