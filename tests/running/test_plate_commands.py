"""What a person enters about the plate in mid-run.

Gauge stops, the first look, lifted, readings and ceilings. None of them turns the relay on.
"""

from __future__ import annotations

import pytest

from controller.errors import WrongStateError
from controller.messages import RunState
from controller.physics.readings import GaugeReading, Weighing
from controller.planning.plan import charge_ceiling
from controller.planning.reading_drafts import GaugeDraft, SurprisingReadingError, WeighingDraft
from controller.running.plate_commands import PlateCommands
from controller.running.snapshot import take_snapshot
from controller.safety.limits import raised
from controller.safety.outbox import Noted
from controller.safety.run import ActiveRun
from tests.kits.doubles import Bench, make_bench, silver_request

S = RunState


def plate_of(bench: Bench) -> PlateCommands:
    return PlateCommands(bench.supervisor, bench.clock)


def the_run(bench: Bench) -> ActiveRun:
    assert bench.supervisor.run is not None
    return bench.supervisor.run


def nothing() -> None:
    """Store nothing: these tests are about what is learned."""


def notes(bench: Bench) -> list[str]:
    outbox = bench.supervisor.take_outbox()
    return [str(item.message) for item in outbox if isinstance(item, Noted)]


def test_pause_at_each_gauge_stop() -> None:
    """The run pauses at each gauge stop and ends at the target."""
    bench = make_bench()
    bench.running(silver_request(gauge_stops_mm=(0.2, 0.1)))
    for stop_mm in (0.1, 0.2):
        bench.until(S.PAUSED)
        run = the_run(bench)
        assert run.gauge_stop_mm == stop_mm
        assert run.depth(0.0).best_mm == pytest.approx(stop_mm, rel=2e-3)
        assert bench.supervisor.finding is None
        assert bench.supervisor.message is not None
        assert bench.supervisor.message.key == "supervisor.state.gauge_stop"
        assert bench.supervisor.message.values == {"gauge_stop_mm": stop_mm}
        bench.run_for(1.0)
        bench.supervisor.resume()
        bench.until(S.RUNNING, within_s=5.0)
    bench.until(S.FINISHED)
    assert the_run(bench).counter.charge_coulombs == pytest.approx(1800.0, rel=2e-3)


def test_reading_moves_stopping_charge() -> None:
    """The gauged depth is a tenth less than the counted one, so the run takes longer."""
    bench = make_bench()
    bench.running(silver_request(gauge_stops_mm=(0.15,)))
    bench.until(S.PAUSED)
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    planned = run.plan.charge_coulombs
    reading = GaugeReading(run.counter.charge_coulombs, (0.134, 0.135, 0.136), resolution_mm=0.001)
    learned = plate.believe("r1", [reading], nothing)
    assert learned is not None
    before, after = learned.before, learned.after
    assert before.best_mm == pytest.approx(0.15, rel=2e-3)
    assert after.best_mm == pytest.approx(0.135, rel=0.02)
    assert after.high_mm - after.low_mm < 0.4 * (before.high_mm - before.low_mm)
    assert run.plan.charge_coulombs == pytest.approx(planned / 0.9, rel=0.02)
    bench.supervisor.resume()
    # The best estimate is below the gauge stop again, so the run pauses there once more.
    bench.until(S.PAUSED, within_s=200.0)
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    assert run.counter.charge_coulombs == pytest.approx(run.plan.charge_coulombs, rel=1e-3)
    assert any("stops at" in text for text in notes(bench))


def test_withdrawn_reading_restores_plan() -> None:
    """A withdrawn reading leaves no trace in the run."""
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    planned = run.plan.charge_coulombs
    plate.believe("r1", [Weighing(run.counter.charge_coulombs, 0.8)], nothing)
    assert run.plan.charge_coulombs != planned
    plate.believe("r1", [], nothing)
    assert run.plan.charge_coulombs == pytest.approx(planned)


def test_never_deeper_stops_early() -> None:
    """Never-deeper stops when the upper bound reaches the target."""
    bench = make_bench()
    plan = bench.running(silver_request(stop_policy="never-deeper"))
    bench.until(S.FINISHED)
    depth = the_run(bench).depth(bench.clock.monotonic_s())
    assert depth.high_mm == pytest.approx(0.25, rel=3e-3)
    assert depth.best_mm < 0.21
    assert plan.charge_coulombs == pytest.approx(the_run(bench).counter.charge_coulombs, rel=3e-3)


def test_person_raises_the_ceiling() -> None:
    """When readings move the target charge past the ceiling, a person may raise the ceiling.

    One weighing so far off could be a blunder; a second one settles it.
    """
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    lost_g = 0.72 * 300.0 * 3.0 * 1.118e-3
    weighed = Weighing(run.counter.charge_coulombs, lost_g, resolution_g=0.001)
    plate.believe("r1", [weighed, weighed], nothing)
    assert run.plan.charge_coulombs > run.limits.max_charge_coulombs
    assert any("Raise the ceiling if the reading is right" in text for text in notes(bench))
    plate.raise_ceilings()
    assert run.limits.max_charge_coulombs > run.plan.charge_coulombs
    assert any(text.startswith("Ceilings raised by a person") for text in notes(bench))
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    assert run.counter.charge_coulombs == pytest.approx(1800.0 / 0.72, rel=0.02)


def test_unraised_ceiling_holds() -> None:
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    plate.believe(
        "r1",
        [Weighing(run.counter.charge_coulombs, 0.72 * 900.0 * 1.118e-3, resolution_g=0.001)],
        nothing,
    )
    bench.supervisor.resume()
    bench.until(S.TRIPPED)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason == "over_charge"


def test_first_look_after_30_s() -> None:
    """The first look is asked for after 30 s and answered once."""
    bench = make_bench()
    bench.running(for_s=20.0)

    def is_due() -> bool:
        return take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None).first_look_due

    assert not is_due()
    bench.run_for(12.0)
    assert is_due()
    plate_of(bench).first_look(is_well=True)
    assert not is_due()
    assert bench.supervisor.state is S.RUNNING


def test_a_bad_first_look_pauses() -> None:
    bench = make_bench()
    bench.running(for_s=32.0)
    plate_of(bench).first_look(is_well=False)
    assert bench.supervisor.state is S.PAUSED
    assert not bench.gate.reads_on()
    assert "swapped at the cell" in notes(bench)[-1]


def test_lifted_ends_the_soak() -> None:
    """Lifted ends the soak, and left in begins it again."""
    bench = make_bench()
    bench.running(for_s=60.0)
    bench.supervisor.pause()
    bench.run_for(30.0)
    run, plate = the_run(bench), plate_of(bench)
    plate.lifted()
    bench.run_for(100.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(30.0, abs=0.1)
    plate.left_in()
    bench.run_for(10.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(40.0, abs=0.1)


@pytest.mark.parametrize("command", ["lifted", "left_in", "raise_ceilings", "first_look"])
def test_each_has_its_states(command: str) -> None:
    bench = make_bench()
    bench.run_for(0.2)

    def call() -> None:
        plate = plate_of(bench)
        if command == "first_look":
            plate.first_look(is_well=True)
        else:
            getattr(plate, command)()

    with pytest.raises(WrongStateError, match="The rig is idle"):
        call()
    bench.running(for_s=1.0)
    if command == "first_look":
        call()
    else:
        with pytest.raises(
            WrongStateError, match=r"only in a run with the relay off\. The rig is running\."
        ):
            call()
    assert bench.gate.reads_on()


def test_another_run_learns_nothing() -> None:
    bench = make_bench()
    bench.running(for_s=10.0)
    bench.supervisor.pause()
    plate, kept = plate_of(bench), []
    plan = the_run(bench).plan
    assert plate.is_present("r1")
    assert not plate.is_present("r0")
    assert plate.believe("r0", [], lambda: kept.append("r0")) is None
    assert plate.take_reading("r0", WeighingDraft(0.8), [], kept.append) is None
    assert kept == []
    assert the_run(bench).plan is plan


@pytest.mark.parametrize("is_new", [True, False], ids=["reading", "withdrawal"])
def test_readings_need_the_relay_off(is_new: bool) -> None:
    bench = make_bench()
    bench.running(for_s=1.0)
    plate, kept = plate_of(bench), []

    def call() -> None:
        if is_new:
            plate.take_reading("r1", WeighingDraft(0.8), [], kept.append, is_confirmed=True)
        else:
            plate.believe("r1", [], lambda: kept.append(None))

    with pytest.raises(
        WrongStateError, match="You can add a reading only in a run with the relay off"
    ):
        call()
    assert kept == []
    assert bench.gate.reads_on()


def test_left_out_is_filled_in() -> None:
    """A reading takes the charge counted at this moment and the film of the plan."""
    bench = make_bench()
    bench.running(silver_request(film_mm=0.075), for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, kept = the_run(bench), []
    draft = GaugeDraft((0.2, 0.201), from_resist_top=True)
    plate_of(bench).take_reading("r1", draft, [], kept.append, is_confirmed=True)
    (reading,) = kept
    assert reading.charge_coulombs == run.counter.charge_coulombs
    assert reading.film_mm == 0.075
    kept.clear()
    given = GaugeDraft((0.125,), charge_coulombs=850.0)
    plate_of(bench).take_reading("r1", given, [], kept.append, is_confirmed=True)
    assert kept[0].charge_coulombs == 850.0


@pytest.mark.parametrize("is_new", [True, False], ids=["reading", "withdrawal"])
def test_refused_keeping_changes_nothing(is_new: bool) -> None:
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    plate.believe("r1", [Weighing(run.counter.charge_coulombs, 0.9)], nothing)
    plan, _ = run.plan, bench.supervisor.take_outbox()

    def refuse(*_reading: object) -> None:
        raise OSError("no room")

    def call() -> None:
        if is_new:
            plate.take_reading("r1", WeighingDraft(0.8), [], refuse, is_confirmed=True)
        else:
            plate.believe("r1", [], refuse)

    with pytest.raises(OSError, match="no room"):
        call()
    assert run.plan is plan
    assert notes(bench) == []


def test_surprise_is_asked_before_keeping() -> None:
    """A correction is judged without the reading that it replaces."""
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate, kept = the_run(bench), plate_of(bench), []
    plan = run.plan
    with pytest.raises(SurprisingReadingError) as caught:
        plate.take_reading("r1", GaugeDraft((0.25, 0.251)), [], kept.append)
    assert (kept, run.plan) == ([], plan)
    assert caught.value.surprise.read_depth_mm == pytest.approx(0.2505)
    assert caught.value.surprise.depth_mm == pytest.approx(0.125, rel=0.02)
    plate.take_reading("r1", GaugeDraft((0.25, 0.251)), [], kept.append, is_confirmed=True)
    assert plate.take_reading("r1", GaugeDraft((0.125, 0.126)), [], kept.append) is not None


def test_raised_time_stays_bounded() -> None:
    """Relay-on time is never raised above limits.max_run_s, and no ceiling falls.

    A note states it.
    """
    bench = make_bench(limits={"max_run_s": 1000.0})
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, plate = the_run(bench), plate_of(bench)
    before = run.limits
    assert before.max_on_time_s == pytest.approx(900.0, rel=0.01)
    lost_g = 0.6 * run.counter.charge_coulombs * 1.118e-3
    reading = Weighing(run.counter.charge_coulombs, lost_g, resolution_g=0.001)
    plate.believe("r1", [reading], nothing)
    plan = run.plan
    total = plan.target_table.charge_for_depth_coulombs(plan.target_depth_mm)
    assert total > plan.charge_coulombs, "with the acid's share, as at the start"
    needed_coulombs = charge_ceiling(total, plan.belief)
    plate.raise_ceilings()
    assert run.limits.max_on_time_s == 1000.0
    assert run.limits.max_charge_coulombs == needed_coulombs > before.max_charge_coulombs
    assert "limits.max_run_s allows no more time" in notes(bench)[-1]
    plate.raise_ceilings()
    assert run.limits.max_on_time_s == 1000.0, "a second time raises nothing"
    assert run.limits.max_charge_coulombs == needed_coulombs
    plate.believe("r1", [], nothing)
    plate.raise_ceilings()
    assert run.limits.max_charge_coulombs == needed_coulombs, "a ceiling does not fall"
    assert "max_run_s" not in notes(bench)[-1]


def test_raising_never_lowers() -> None:
    """A plan's own ceilings stay when a lower one would do."""
    bench = make_bench()
    bench.start()
    limits = the_run(bench).limits
    assert raised(limits, 1.0, 10.0) == limits
