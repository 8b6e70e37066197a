"""An event reaches the logbook twice: as a sentence, and as a key with values."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

from controller.config import Settings
from controller.logbook.entries import Entry, StateChanged
from controller.logbook.logbook import Logbook
from controller.messages import Event, EventKind, Finding, RunState, TripReason
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.snapshot import take_snapshot
from controller.safety.outbox import Kept
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench


class Shelf:
    """Keep what is put into the logbook."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.lost: list[Message] = []

    def count_lost(self, _rows: int, note: Message) -> None:
        self.lost.append(note)

    def put(self, entry: Entry) -> None:
        self.entries.append(entry)


def written(bench: Bench) -> list[Entry]:
    """Return what the journal writes from the outbox."""
    shelf = Shelf()
    journal = Journal(RunRecorder(), cast(Logbook, shelf), bench.clock, Settings())
    snapshot = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
    journal.follow(snapshot, bench.supervisor.take_outbox())
    return shelf.entries


def tripped() -> tuple[Bench, Finding]:
    bench = make_bench()
    bench.running(for_s=1.0)
    finding = Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V")
    bench.supervisor.cut(finding)
    return bench, finding


def test_trip_as_sentence_and_values() -> None:
    bench, finding = tripped()
    entries = written(bench)
    event = [entry for entry in entries if isinstance(entry, Event)][-1]
    assert event.kind is EventKind.STATE
    assert event.text == f"running -> tripped. {finding.what} {finding.advice}"
    data: dict[str, Any] = event.data or {}
    assert Message.from_json(data["message"]) == finding.message
    assert data["message"]["values"]["what"] == {
        "key": "guards.over_voltage.what",
        "values": {"value_v": 6.5, "limit_v": 6.0},
    }
    assert set(data) == {"message", "charge_coulombs", "depth_mm"}
    assert data["charge_coulombs"] > 2.0


def test_run_keeps_sentence() -> None:
    bench, finding = tripped()
    change = [entry for entry in written(bench) if isinstance(entry, StateChanged)][-1]
    assert (change.state, change.reason) == (RunState.TRIPPED, TripReason.OVER_VOLTAGE)
    assert change.message == str(finding.message)


def test_note_as_sentence_and_values() -> None:
    bench = make_bench()
    note = Message("guards.warning.bath_warm", {"warn_degc": 35.0, "off_degc": 45.0})
    bench.supervisor.note(note)
    (event,) = written(bench)
    assert isinstance(event, Event)
    assert event.text == str(note)
    assert event.data == {"message": note.to_json()}


def test_one_bad_entry_loses_itself_only() -> None:
    """A checkpoint that cannot be made costs only itself, and the logbook's health shows it."""
    bench, finding = tripped()
    outbox = bench.supervisor.take_outbox()
    bad = [replace(it, checkpoint=None) if isinstance(it, Kept) else it for it in outbox]
    assert bad != outbox
    shelf = Shelf()
    journal = Journal(RunRecorder(), cast(Logbook, shelf), bench.clock, Settings())
    snapshot = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
    journal.follow(snapshot, bad)
    change = [entry for entry in shelf.entries if isinstance(entry, StateChanged)][-1]
    assert change.reason is finding.reason
    assert [note.key for note in shelf.lost] == ["logbook.lost.not_made"]
