"""Baths: one metal each, the charge they carried, what their readings teach, their history."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.bath_reader import BathReader
from controller.logbook.entries import ReadingKind
from controller.messages import RunState
from controller.physics.faraday import METALS
from controller.physics.learning import new_learner
from controller.physics.readings import Weighing
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.planning.reading_drafts import refuse_surprise
from controller.recording.baths import BathShelf
from tests.kits.doubles import silver_request
from tests.kits.logbook_kit import ManualLogbook, began, changed, take

SETTINGS = Settings()


class Studio:
    """A logbook with its baths. Runs are written as the journal writes them."""

    def __init__(self, path: Path) -> None:
        self.manual = ManualLogbook(path)
        self.manual.logbook.work()
        self.shelf = BathShelf(
            self.manual.logbook, BathReader(self.manual.reader), self.manual.clock, SETTINGS
        )

    def save(self, name: str = "tank 1", metal: str = "fine-silver", **changes: object) -> None:
        values: dict[str, object] = {
            "acid": "nitric acid, 1 in 10",
            "volume_l": 1.0,
            "made_up_on": "2031-03-01",
            "note": "",
        }
        self.shelf.save(name, metal, **{**values, **changes})  # type: ignore[arg-type]

    def run(
        self,
        run_id: str,
        charge_coulombs: float = 1800.0,
        bath: str | None = "tank 1",
        **changes: object,
    ) -> None:
        request = silver_request(bath=bath, **changes)
        plan = make_plan(request, SETTINGS, 16.0)
        self.manual.write(
            replace(began(run_id), bath=bath, metal=request.metal, plan=plan_to_json(plan)),
            changed(run_id, RunState.FINISHED, charge_coulombs),
        )


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    studio = Studio(tmp_path / "log.sqlite")
    yield studio
    studio.manual.logbook.finish()


def gauge(depth_mm: float, charge_coulombs: float = 1800.0) -> dict[str, object]:
    spots = [depth_mm - 0.002, depth_mm, depth_mm + 0.002]
    return {"charge_coulombs": charge_coulombs, "spots_mm": spots, "resolution_mm": 0.001}


def test_bath_changes_and_retires(studio: Studio) -> None:
    studio.save()
    assert [bath.name for bath in studio.shelf.baths()] == ["tank 1"], (
        "known at once, before the disk has it"
    )
    studio.manual.logbook.work()
    studio.save(note="topped up", volume_l=1.2)
    studio.save("tank 2", "copper")
    studio.manual.logbook.work()
    again = BathShelf(
        studio.manual.logbook, BathReader(studio.manual.reader), studio.manual.clock, SETTINGS
    )
    assert [bath.name for bath in again.baths()] == ["tank 2", "tank 1"]
    assert (again.bath("tank 1").note, again.bath("tank 1").volume_l) == ("topped up", 1.2)
    again.save("tank 1", "fine-silver", "nitric acid", 1.2, None, "", is_retired=True)
    with pytest.raises(RefusedError, match="is retired"):
        again.knowledge(silver_request(bath="tank 1"))


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"name": " "}, "1 to 60 characters"),
        ({"metal": "unobtainium"}, "is not known"),
        ({"metal": "steel"}, "no nitric acid bath for steel"),
        ({"volume_l": 0.0}, "bath volume is 0 L"),
        ({"made_up_on": "last week"}, "Write it like 2031-03-04"),
    ],
)
def test_impossible_bath_is_refused(
    studio: Studio, changes: dict[str, object], expected: str
) -> None:
    with pytest.raises(RefusedError, match=expected):
        studio.save(**changes)  # type: ignore[arg-type]


def test_one_bath_holds_one_metal(studio: Studio) -> None:
    """Silver plates out on copper by itself."""
    studio.save()
    with pytest.raises(RefusedError, match="is for fine-silver"):
        studio.save(metal="copper")
    with pytest.raises(RefusedError, match="takes one metal"):
        studio.shelf.knowledge(silver_request(metal="copper", bath="tank 1"))
    with pytest.raises(RefusedError, match="There is no bath 'tank 9'"):
        studio.shelf.knowledge(silver_request(bath="tank 9"))


def test_bath_counts_its_charge(studio: Studio) -> None:
    """1800 C are 0.5 Ah and 2.01 g of silver (1.118 mg/C; common practice, no source)."""
    studio.save()
    for run_id in ("r1", "r2"):
        studio.run(run_id)
    studio.run("r3", bath=None)
    state = studio.shelf.state("tank 1")
    assert (state.runs, state.readings) == (2, 0)
    assert state.charge_ah == pytest.approx(1.0)
    assert state.dissolved_g == pytest.approx(4.02, rel=2e-3)
    assert state.bite_factor == pytest.approx(1.0)


def test_readings_shape_next_plan(studio: Studio) -> None:
    """Readings of earlier runs shape the next plan."""
    studio.save()
    for run_id in ("r1", "r2", "r3", "r4"):
        studio.run(run_id)
        take(studio.shelf, run_id, ReadingKind.GAUGE, gauge(0.225))
    knowledge = studio.shelf.knowledge(silver_request(bath="tank 1"))
    assert knowledge.runs_in_bath == 4
    plan = make_plan(silver_request(bath="tank 1"), SETTINGS, 16.0, knowledge)
    # Four runs reached nine tenths of the depth: more charge is planned, and the interval is
    # narrower.
    assert plan.charge_coulombs == pytest.approx(1800.0 / 0.9, rel=0.02)
    fresh = make_plan(silver_request(), SETTINGS, 16.0)
    assert plan.depth_high_mm - plan.depth_low_mm < 0.7 * (fresh.depth_high_mm - fresh.depth_low_mm)
    assert studio.shelf.state("tank 1").bite_factor == pytest.approx(0.9, rel=0.02)


def test_first_runs_offer_gauge_stop(studio: Studio) -> None:
    """A gauge stop is offered for the first three runs in a bath."""
    studio.save()
    for count in range(4):
        plan = make_plan(
            silver_request(bath="tank 1"),
            SETTINGS,
            16.0,
            studio.shelf.knowledge(silver_request(bath="tank 1")),
        )
        assert plan.offered_gauge_stops_mm == ((pytest.approx(0.1875),) if count < 3 else ())
        studio.run(f"r{count}")


def test_tried_density_warns_no_more(studio: Studio) -> None:
    """A density that worked before is no longer warned of."""
    studio.save()

    def is_warned(current_a: float) -> bool:
        request = silver_request(bath="tank 1", current_a=current_a)
        warnings = make_plan(request, SETTINGS, 16.0, studio.shelf.knowledge(request)).warnings
        return any("brisk" in warning.message.key for warning in warnings)

    assert is_warned(3.0)
    studio.run("r1")
    assert not is_warned(3.0)
    assert is_warned(4.0)


def test_corrected_and_withdrawn_readings(studio: Studio) -> None:
    """A correction replaces a reading, a withdrawal ends it, and the history keeps both."""
    studio.save()
    studio.run("r1")
    first = take(studio.shelf, "r1", ReadingKind.GAUGE, gauge(0.15))
    corrected = take(studio.shelf, "r1", ReadingKind.GAUGE, gauge(0.25), replaces=first.reading_id)
    studio.manual.logbook.work()
    assert studio.shelf.state("tank 1").bite_factor == pytest.approx(1.0, abs=0.02)
    take(
        studio.shelf,
        "r1",
        ReadingKind.WITHDRAWN,
        {"why": "wrong plate"},
        replaces=corrected.reading_id,
    )
    studio.manual.logbook.work()
    assert studio.shelf.state("tank 1").readings == 0
    kinds = [reading.kind for reading in studio.shelf.readings("r1")]
    assert kinds == [ReadingKind.GAUGE, ReadingKind.GAUGE, ReadingKind.WITHDRAWN]


def test_unwritten_reading_counts(studio: Studio) -> None:
    """A reading counts before it is on the disk."""
    studio.save()
    studio.run("r1")
    take(studio.shelf, "r1", ReadingKind.WEIGHING, {"charge_coulombs": 1800.0, "lost_g": 1.8})
    assert studio.shelf.state("tank 1").readings == 1
    studio.manual.logbook.work()
    assert studio.shelf.state("tank 1").readings == 1


def test_surprising_reading_needs_confirmation() -> None:
    """A reading more than three standard deviations off must be confirmed."""
    learner = new_learner(METALS["fine-silver"], 0.03, 0.01)
    refuse_surprise(learner, Weighing(1800.0, 2.0), silver_request(), None)
    with pytest.raises(
        RefusedError, match=r"far less metal is gone .* Confirm the reading"
    ) as caught:
        refuse_surprise(learner, Weighing(1800.0, 1.0), silver_request(), None)
    assert caught.value.field == "is_confirmed"
    with pytest.raises(RefusedError, match="far more metal is gone"):
        refuse_surprise(learner, Weighing(1800.0, 3.5), silver_request(), None)


def test_fresh_acid_is_recorded(studio: Studio) -> None:
    """Fresh acid counts at once and after it is written, from the next run on."""
    studio.save()
    studio.manual.logbook.work()
    for number in range(4):
        studio.run(f"r{number}")
        take(studio.shelf, f"r{number}", ReadingKind.GAUGE, gauge(0.2))
    worn = studio.shelf.state("tank 1")
    studio.shelf.fresh_acid("tank 1", "all new")
    fresh = studio.shelf.state("tank 1")
    studio.manual.logbook.work()
    assert studio.shelf.state("tank 1") == fresh
    assert worn.fresh_acid_at_utc is None
    assert fresh.fresh_acid_at_utc == studio.manual.clock.utc_now()
    assert worn.bite_factor < 0.9 < fresh.bite_factor
    assert fresh.etch_factor == pytest.approx(worn.etch_factor)
    assert fresh.spread_fraction == pytest.approx(worn.spread_fraction)
    studio.run("r4")
    take(studio.shelf, "r4", ReadingKind.GAUGE, gauge(0.27))
    assert studio.shelf.state("tank 1").bite_factor > fresh.bite_factor
    studio.save(is_retired=True)
    with pytest.raises(RefusedError, match="is retired"):
        studio.shelf.fresh_acid("tank 1")
