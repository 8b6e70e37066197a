"""Readings of present and past runs: each is stored and learned from, or neither."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.errors import RefusedError, WrongStateError
from controller.logbook.bath_reader import BathReader
from controller.logbook.reader import LogbookFullError, UnknownRunError
from controller.logbook.waiting_room import WaitingRoom
from controller.messages import OffRequest, RunState
from controller.planning.json_form import plan_to_json
from controller.planning.reading_drafts import GaugeDraft, SurprisingReadingError, WeighingDraft
from controller.recording.baths import BathShelf
from controller.running.plate_commands import PlateCommands
from controller.running.plate_readings import (
    PlateReadings,
    ReplacedReadingError,
    UnknownReadingError,
)
from controller.safety.run import ActiveRun
from tests.kits.doubles import make_bench, plan_for, silver_request
from tests.kits.logbook_kit import ManualLogbook, began, changed, note

S = RunState


class Studio:
    """A paused run in bath "tank 1", a logbook worked by hand, and a loop that answers at once.

    :param before_command: called between the request and the command, once.
    """

    def __init__(self, path: Path, room: WaitingRoom | None = None) -> None:
        self.bench = make_bench()
        self.bench.running(silver_request(bath="tank 1"), for_s=300.0)
        self.bench.supervisor.pause()
        self.bench.run_for(1.0)
        settings, clock = self.bench.settings, self.bench.clock
        self.manual = ManualLogbook(path, clock, room)
        self.manual.logbook.work()
        plan = plan_to_json(self.run.plan)
        entry = replace(began("r1"), bath="tank 1", plan=plan)
        self.manual.write(entry, changed("r1", S.PAUSED, 900.0))
        self.shelf = BathShelf(self.manual.logbook, BathReader(self.manual.reader), clock, settings)
        plate = PlateCommands(self.bench.supervisor, clock)
        self.readings = PlateReadings(plate, self.shelf, clock, settings, self._ask)
        self.before_command: Callable[[], None] = lambda: None
        self.commands = 0

    def _ask(self, action: Callable[[], Any]) -> Any:
        self.commands += 1
        before, self.before_command = self.before_command, lambda: None
        before()
        return action()

    @property
    def run(self) -> ActiveRun:
        """The present run."""
        run = self.bench.supervisor.run
        assert run is not None
        return run

    def past_run(self) -> None:
        """Enter a finished run "r0" of 1800 C."""
        plan = plan_for(silver_request(bath="tank 1"), self.bench.settings, 16.0)
        entry = replace(began("r0"), bath="tank 1", plan=plan_to_json(plan))
        self.manual.write(entry, changed("r0", S.FINISHED, 1800.0))


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    studio = Studio(tmp_path / "log.sqlite")
    yield studio
    studio.manual.logbook.finish()


def draft(studio: Studio, factor: float = 1.0) -> GaugeDraft:
    """Return a gauge reading of that fraction of the estimated depth."""
    depth_mm = factor * studio.run.depth(studio.bench.clock.monotonic_s()).best_mm
    return GaugeDraft((depth_mm, 1.01 * depth_mm, 0.99 * depth_mm), resolution_mm=0.001)


def test_command_judges_the_state(studio: Studio) -> None:
    """A reading sent in a pause is refused if the run goes on before the loop takes it."""
    given = draft(studio)

    def resume() -> None:
        studio.bench.supervisor.resume()
        studio.bench.until(S.RUNNING, within_s=5.0)

    studio.before_command = resume
    with pytest.raises(WrongStateError, match="The rig is running"):
        studio.readings.take("r1", given)
    assert studio.shelf.readings("r1") == ()
    assert studio.commands == 1


def test_command_takes_present_charge(studio: Studio) -> None:
    """A reading gets the charge counted when the command runs, not when it was sent."""
    given = draft(studio)

    def count_more() -> None:
        studio.run.counter.charge_coulombs += 1.0

    before_coulombs = studio.run.counter.charge_coulombs
    studio.before_command = count_more
    taken = studio.readings.take("r1", given).taken
    assert taken.body["charge_coulombs"] == pytest.approx(before_coulombs + 1.0)


def test_ended_run_is_past(studio: Studio) -> None:
    """When the run is acknowledged before the command, the reading goes to the bath."""
    given = draft(studio)

    def end() -> None:
        studio.bench.gate.revoke(OffRequest.STOP)
        studio.bench.supervisor.tick()
        studio.bench.supervisor.acknowledge()

    studio.before_command = end
    assert studio.readings.take("r1", given, is_confirmed=True).learned is None
    assert len(studio.shelf.readings("r1")) == 1


def test_refused_write_leaves_the_belief(tmp_path: Path) -> None:
    studio = Studio(tmp_path / "log.sqlite", WaitingRoom(max_events=2))
    studio.manual.put(note(), note())
    plan = studio.run.plan
    with pytest.raises(LogbookFullError, match="The logbook is full: 2 rows are waiting"):
        studio.readings.take("r1", draft(studio, 1.05))
    assert studio.run.plan is plan
    assert studio.shelf.readings("r1") == ()
    assert studio.manual.logbook.health().lost == 0, "it was refused, so it is not lost"
    studio.manual.logbook.work()
    learned = studio.readings.take("r1", draft(studio, 1.05)).learned
    assert learned is not None
    assert studio.run.plan.charge_coulombs == learned.target_charge_coulombs < plan.charge_coulombs
    studio.manual.logbook.finish()


def test_refused_withdrawal_leaves_the_belief(tmp_path: Path) -> None:
    studio = Studio(tmp_path / "log.sqlite", WaitingRoom(max_events=1))
    taken = studio.readings.take("r1", draft(studio, 1.05)).taken
    plan = studio.run.plan
    with pytest.raises(LogbookFullError):
        studio.readings.withdraw("r1", taken.reading_id, "wrong piece")
    assert studio.run.plan is plan
    assert studio.shelf.readings("r1") == (taken,)
    studio.manual.logbook.finish()


def test_disk_failure_loses_nothing(studio: Studio) -> None:
    """While another program locks the file the reading counts, and it is written later."""
    with closing(sqlite3.connect(studio.manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        taken = studio.readings.take("r1", draft(studio, 1.05)).taken
        studio.manual.logbook.work()
        assert studio.manual.logbook.health().failing_since_at_s is not None
        assert studio.shelf.readings("r1") == (taken,)
        other.execute("ROLLBACK")
    studio.manual.retry()
    reader = BathReader(studio.manual.reader)
    (stored,) = reader.readings_of_run("r1")
    assert (stored.reading_id, stored.body) == (taken.reading_id, taken.body)


def test_callers_take_turns(studio: Studio) -> None:
    """The readings read from the disk are still valid when the command runs."""
    held: list[bool] = []
    studio.before_command = lambda: held.append(studio.readings._turn.locked())
    taken = studio.readings.take("r1", draft(studio)).taken
    studio.before_command = lambda: held.append(studio.readings._turn.locked())
    studio.readings.withdraw("r1", taken.reading_id, "wrong piece")
    assert held == [True, True]


def test_all_valid_readings_count(studio: Studio) -> None:
    """A second reading adds to the first. A correction replaces it, and a withdrawal undoes it."""
    planned = studio.run.plan.charge_coulombs
    readings = studio.readings
    first = readings.take("r1", draft(studio, 1.05))
    alone = studio.run.plan.charge_coulombs
    second = readings.take("r1", draft(studio, 1.05))
    both = studio.run.plan.charge_coulombs
    assert len({planned, alone, both}) == 3
    better = draft(studio)
    third = readings.take("r1", better, replaces=second.taken.reading_id)
    corrected = studio.run.plan.charge_coulombs
    readings.withdraw("r1", third.taken.reading_id, "wrong piece")
    assert studio.run.plan.charge_coulombs == pytest.approx(alone)
    fourth = readings.take("r1", better)
    assert studio.run.plan.charge_coulombs == pytest.approx(corrected), "as if never replaced"
    readings.withdraw("r1", fourth.taken.reading_id, "wrong piece")
    readings.withdraw("r1", first.taken.reading_id, "wrong piece")
    assert studio.run.plan.charge_coulombs == pytest.approx(planned)


def test_replaced_reading_stays_replaced(studio: Studio) -> None:
    readings = studio.readings
    first = readings.take("r1", draft(studio)).taken.reading_id
    readings.take("r1", draft(studio), replaces=first)
    for again in (
        lambda: readings.take("r1", draft(studio), replaces=first),
        lambda: readings.withdraw("r1", first, "wrong piece"),
    ):
        with pytest.raises(ReplacedReadingError, match="was corrected or withdrawn before"):
            again()
    assert len(studio.shelf.readings("r1")) == 2


def test_unknown_reading_or_run(studio: Studio) -> None:
    with pytest.raises(UnknownReadingError, match="The run has no reading 'x'"):
        studio.readings.withdraw("r1", "x", "wrong piece")
    for run_id, reading_id in (("never", None), ("never", "x")):
        with pytest.raises(UnknownRunError):
            studio.readings.take(run_id, draft(studio), replaces=reading_id)
    with pytest.raises(UnknownRunError):
        studio.readings.withdraw("never", "x", "wrong piece")


def test_past_run_teaches_its_bath(studio: Studio) -> None:
    studio.past_run()
    plan = studio.run.plan
    outcome = studio.readings.take("r0", GaugeDraft((0.25, 0.251), resolution_mm=0.001))
    assert outcome.learned is None
    assert outcome.taken.body["charge_coulombs"] == 1800.0
    assert studio.run.plan is plan
    assert studio.commands == 1


def test_past_surprise_is_asked(studio: Studio) -> None:
    """An impossible reading is refused even when it is confirmed: it would spoil the bath."""
    studio.past_run()
    with pytest.raises(SurprisingReadingError):
        studio.readings.take("r0", WeighingDraft(20.1))
    assert studio.readings.take("r0", WeighingDraft(20.1), is_confirmed=True).learned is None
    with pytest.raises(RefusedError, match="does not fit this run"):
        studio.readings.take("r0", WeighingDraft(1e300), is_confirmed=True)
    assert len(studio.shelf.readings("r0")) == 1
