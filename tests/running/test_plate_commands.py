"""What a person tells of the plate in mid-run: gauge stops, first look, lifted, readings, ceilings; never the relay."""

from __future__ import annotations

import pytest

from controller.errors import WrongStateError
from controller.messages import RunState
from controller.physics.learning import GaugeReading, Weighing
from controller.running.plate_commands import RunDesk
from controller.running.snapshot import take_snapshot
from controller.safety.outbox import Noted
from controller.safety.run import ActiveRun
from tests.kits.doubles import Bench, make_bench, silver_request

S = RunState


def desk_of(bench: Bench) -> RunDesk:
    return RunDesk(bench.supervisor, bench.clock)


def the_run(bench: Bench) -> ActiveRun:
    assert bench.supervisor.run is not None
    return bench.supervisor.run


def notes(bench: Bench) -> list[str]:
    return [str(news.message) for news in bench.supervisor.take_news() if isinstance(news, Noted)]


def test_the_run_pauses_at_each_gauge_stop_and_ends_at_the_target() -> None:
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


def test_a_reading_at_a_gauge_stop_moves_the_stopping_charge() -> None:
    """Gauged a tenth shallower than counted: the bath bites less, the run must go on for longer."""
    bench = make_bench()
    bench.running(silver_request(gauge_stops_mm=(0.15,)))
    bench.until(S.PAUSED)
    bench.run_for(1.0)
    run, desk = the_run(bench), desk_of(bench)
    planned = run.plan.charge_coulombs
    reading = GaugeReading(run.counter.charge_coulombs, (0.134, 0.135, 0.136), resolution_mm=0.001)
    before, after = desk.learn("r1", [reading])
    assert before.best_mm == pytest.approx(0.15, rel=2e-3)
    assert after.best_mm == pytest.approx(0.135, rel=0.02)
    assert after.high_mm - after.low_mm < 0.4 * (before.high_mm - before.low_mm)
    assert run.plan.charge_coulombs == pytest.approx(planned / 0.9, rel=0.02)
    bench.supervisor.resume()
    # The best estimate has fallen under the gauge stop: it is passed once more, then the run goes on.
    bench.until(S.PAUSED, within_s=200.0)
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    assert run.counter.charge_coulombs == pytest.approx(run.plan.charge_coulombs, rel=1e-3)
    assert any("stops at" in text for text in notes(bench))


def test_a_withdrawn_reading_leaves_no_trace_in_the_run() -> None:
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, desk = the_run(bench), desk_of(bench)
    planned = run.plan.charge_coulombs
    desk.learn("r1", [Weighing(run.counter.charge_coulombs, 0.8)])
    assert run.plan.charge_coulombs != planned
    desk.learn("r1", [])
    assert run.plan.charge_coulombs == pytest.approx(planned)


def test_never_deeper_stops_when_the_upper_bound_reaches_the_target() -> None:
    bench = make_bench()
    plan = bench.running(silver_request(stop_policy="never-deeper"))
    bench.until(S.FINISHED)
    depth = the_run(bench).depth(bench.clock.monotonic_s())
    assert depth.high_mm == pytest.approx(0.25, rel=3e-3)
    assert depth.best_mm < 0.21
    assert plan.charge_coulombs == pytest.approx(the_run(bench).counter.charge_coulombs, rel=3e-3)


def test_a_learned_depth_beyond_the_ceiling_trips_until_a_person_raises_it() -> None:
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, desk = the_run(bench), desk_of(bench)
    lost_g = 0.72 * 300.0 * 3.0 * 1.118e-3
    desk.learn("r1", [Weighing(run.counter.charge_coulombs, lost_g, resolution_g=0.001)])
    assert run.plan.charge_coulombs > run.limits.max_charge_coulombs
    assert any("raise it if the reading is right" in text for text in notes(bench))
    desk.raise_ceilings()
    assert run.limits.max_charge_coulombs > run.plan.charge_coulombs
    assert any(text.startswith("Ceilings raised by a person") for text in notes(bench))
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    assert run.counter.charge_coulombs == pytest.approx(1800.0 / 0.72, rel=0.02)


def test_without_the_raise_the_ceiling_holds() -> None:
    bench = make_bench()
    bench.running(for_s=300.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run, desk = the_run(bench), desk_of(bench)
    desk.learn(
        "r1", [Weighing(run.counter.charge_coulombs, 0.72 * 900.0 * 1.118e-3, resolution_g=0.001)]
    )
    bench.supervisor.resume()
    bench.until(S.TRIPPED)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason == "over_charge"


def test_the_first_look_is_asked_for_after_30_s_and_answered_once() -> None:
    bench = make_bench()
    bench.running(for_s=20.0)

    def is_due() -> bool:
        return take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None).first_look_due

    assert not is_due()
    bench.run_for(12.0)
    assert is_due()
    desk_of(bench).first_look(is_well=True)
    assert not is_due()
    assert bench.supervisor.state is S.RUNNING


def test_a_bad_first_look_pauses() -> None:
    bench = make_bench()
    bench.running(for_s=32.0)
    desk_of(bench).first_look(is_well=False)
    assert bench.supervisor.state is S.PAUSED
    assert not bench.gate.reads_on()
    assert "swapped at the cell" in notes(bench)[-1]


def test_lifted_ends_the_soak_and_left_in_begins_it_again() -> None:
    bench = make_bench()
    bench.running(for_s=60.0)
    bench.supervisor.pause()
    bench.run_for(30.0)
    run, desk = the_run(bench), desk_of(bench)
    desk.lifted()
    bench.run_for(100.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(30.0, abs=0.1)
    desk.left_in()
    bench.run_for(10.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == pytest.approx(40.0, abs=0.1)


@pytest.mark.parametrize("command", ["lifted", "left_in", "raise_ceilings", "learn", "first_look"])
def test_each_has_its_states(command: str) -> None:
    bench = make_bench()
    bench.run_for(0.2)

    def call() -> None:
        desk = desk_of(bench)
        if command == "learn":
            desk.learn("r1", [])
        elif command == "first_look":
            desk.first_look(is_well=True)
        else:
            getattr(desk, command)()

    with pytest.raises(WrongStateError, match="while idle"):
        call()
    bench.running(for_s=1.0)
    if command == "first_look":
        call()
    else:
        with pytest.raises(
            WrongStateError, match="while running: that needs a run with the relay off"
        ):
            call()
    assert bench.gate.reads_on()


def test_a_reading_of_another_run_is_not_taken_into_this_one() -> None:
    bench = make_bench()
    bench.running(for_s=10.0)
    bench.supervisor.pause()
    desk = desk_of(bench)
    assert desk.present("r0") is None
    assert desk.present("r1") is the_run(bench).plan
    with pytest.raises(WrongStateError, match="run r0 is over"):
        desk.learn("r0", [])
