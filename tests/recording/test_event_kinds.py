"""Each kind of event that the API documents reaches the logbook from where it happens."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import SensorError, WrongStateError
from controller.logbook.records import StoredEvent
from controller.messages import OffRequest, RunState, Sample
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.plate_commands import PlateCommands
from controller.running.snapshot import take_snapshot
from tests.kits.doubles import Bench, make_bench
from tests.kits.logbook_kit import ManualLogbook

S = RunState


class Book:
    """A supervisor whose events are read back from the file."""

    def __init__(self, path: Path) -> None:
        self.bench = make_bench()
        self.bench.run_for(2.0)
        self.manual = ManualLogbook(path, self.bench.clock)
        self.manual.logbook.work()
        settings = self.bench.settings
        self._journal = Journal(RunRecorder(), self.manual.logbook, self.bench.clock, settings)
        self.plate = PlateCommands(self.bench.supervisor, self.bench.clock)
        self._last = 0

    def events(self) -> list[StoredEvent]:
        """Return the events since the last call."""
        bench = self.bench
        snapshot = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
        self._journal.follow(snapshot, bench.supervisor.take_outbox())
        self.manual.logbook.work()
        found = list(self.manual.reader.events("r1", self._last))
        self._last = found[-1].number if found else self._last
        return found

    def lines(self) -> list[tuple[str, str]]:
        """Return the kind and the text of the events since the last call."""
        return [(event.kind, event.text) for event in self.events()]

    def paused(self) -> None:
        """Pause a run after a minute and forget its events."""
        self.bench.running(for_s=60.0)
        self.bench.supervisor.pause()
        self.bench.run_for(1.0)
        self.events()

    def stopped(self) -> None:
        """Stop a run after a minute and forget its events."""
        self.paused()
        self.bench.gate.revoke(OffRequest.STOP)
        self.bench.supervisor.tick()
        self.events()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    book = Book(tmp_path / "log.sqlite")
    yield book
    book.manual.logbook.finish()


def test_start_is_a_command(book: Book) -> None:
    book.bench.start()
    assert book.lines() == [
        ("command", "Start: 0.25 mm, 1797 C at 3.00 A."),
        ("state", "idle -> checking. The rig is checked with the relay off."),
    ]


def test_check_states_its_figures(book: Book) -> None:
    """A sensor that shows 1 mA and 0.2 V with the relay off passes at the default limits."""
    book.bench.start()
    show(book.bench, 0.001, 0.2)
    book.bench.until(S.RUNNING)
    (check,) = [event for event in book.events() if event.kind == "check"]
    assert check.data is not None
    assert check.data.pop("message")["key"] == "supervisor.check.passed"
    assert check.data == {
        "zero_offset_a": pytest.approx(0.001),
        "zero_offset_limit_a": pytest.approx(0.010),
        "cell_voltage_v": pytest.approx(0.2),
        "cell_voltage_limit_v": pytest.approx(1.5),
    }
    assert check.text == (
        "Rig check passed: zero offset 0.0010 A (limit 0.0100 A), "
        "cell voltage 0.20 V (limit 1.50 V)."
    )


def test_failed_check_is_recorded(book: Book) -> None:
    """A zero offset beyond 10 mA fails the check; the event carries the offset."""
    book.bench.start()
    show(book.bench, 0.012, 0.2)
    book.bench.until(S.TRIPPED)
    (check,) = [event for event in book.events() if event.kind == "check"]
    assert check.text.startswith("Rig check failed: ")
    assert check.data is not None
    assert check.data["zero_offset_a"] == pytest.approx(0.012)


@pytest.mark.parametrize(
    ("command", "text"),
    [
        (lambda book: book.bench.supervisor.resume(), "Carry on."),
        (lambda book: book.bench.gate.revoke(OffRequest.STOP), "Stop."),
        (lambda book: book.bench.gate.revoke(OffRequest.STOP_BUTTON), "Stop, at the stop button."),
        (lambda book: book.plate.lifted(), "Plate lifted and rinsed"),
        (lambda book: book.plate.left_in(), "Plate left in the bath"),
        (lambda book: book.plate.believe("r1", [], lambda: None), "With 0 readings, the depth is"),
        (lambda book: book.plate.raise_ceilings(), "Ceilings raised by a person"),
    ],
    ids=["resume", "stop", "stop button", "lifted", "left in", "readings", "ceilings"],
)
def test_commands_are_commands(book: Book, command: Callable[[Book], None], text: str) -> None:
    book.paused()
    command(book)
    book.bench.supervisor.tick()
    kind, text_ = book.lines()[0]
    assert kind == "command"
    assert text_.startswith(text)


def test_pause_is_a_command(book: Book) -> None:
    """The command is recorded before the change that it causes."""
    book.bench.running(for_s=60.0)
    book.events()
    book.bench.supervisor.pause()
    asked, state = book.events()
    assert (asked.kind, asked.text, state.kind) == ("command", "Pause.", "state")
    assert asked.on_time_s == state.on_time_s == pytest.approx(60.0, abs=0.1)


def test_acknowledge_is_a_command(book: Book) -> None:
    """The event belongs to the run that it ends."""
    book.stopped()
    book.bench.supervisor.acknowledge()
    assert book.lines()[0] == ("command", "Acknowledge.")


def test_idle_stop_is_no_event(book: Book) -> None:
    """Anybody may press Stop at any time. A Stop that ends nothing is no event."""
    book.stopped()
    book.bench.gate.revoke(OffRequest.STOP)
    book.bench.supervisor.tick()
    assert book.events() == []


def test_refused_command_is_no_event(book: Book) -> None:
    book.stopped()
    for command in (book.bench.supervisor.pause, book.bench.supervisor.resume):
        with pytest.raises(WrongStateError):
            command()
    assert book.events() == []


def test_warnings_are_warnings(book: Book) -> None:
    book.bench.running(for_s=60.0)
    book.bench.supervisor.pause()
    book.events()
    book.bench.sensor.error = SensorError("wire off")
    book.bench.run_for(3.0)
    text = "The current could not be seen to fall to zero. Look at the supply's own ammeter."
    assert book.lines() == [("warning", text)]


def test_the_rest_are_notes(book: Book) -> None:
    book.bench.running(for_s=32.0)
    book.events()
    book.plate.first_look(is_well=True)
    assert book.lines() == [("note", "First look: gas at the minus plate and even matting.")]


def show(bench: Bench, current_a: float, voltage_v: float) -> None:
    """Let each sample show this current and voltage, also with the relay off."""
    poll = bench.sensor.poll

    def polled() -> Sample | None:
        sample = poll()
        if sample is None:
            return None
        return replace(sample, current_a=current_a, voltage_v=voltage_v)

    bench.sensor.poll = polled  # type: ignore[method-assign]
