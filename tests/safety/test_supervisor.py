"""The state machine: the table of states x commands, off first, one turn_on, first reason wins."""

from __future__ import annotations

import re

import pytest

from controller.errors import SensorError, SensorResetError, WrongStateError
from controller.messages import OffRequest, RunState, TripReason
from controller.safety.outbox import Began, Changed, Counted
from controller.safety.run import ActiveRun
from controller.safety.transitions import ACCEPTED_IN, STOP_ENDS, Command
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench, silver_request
from tests.paths import ROOT

S = RunState


def bench_in(state: RunState) -> Bench:
    """Return a bench that came into the state by its natural way."""
    bench = make_bench()
    bench.run_for(0.2)
    if state is S.IDLE:
        return bench
    bench.start()
    if state is S.CHECKING:
        return bench
    bench.until(S.RUNNING)
    if state is S.RUNNING:
        return bench
    if state is S.PAUSED:
        bench.supervisor.pause()
    elif state is S.FINISHED:
        bench.until(S.FINISHED)
    elif state is S.STOPPED:
        bench.gate.revoke(OffRequest.STOP)
    elif state is S.TRIPPED:
        bench.sensor.error = SensorError("wire off")
        bench.tick()
        bench.sensor.error = None
    elif state is S.INTERRUPTED:
        run = bench.supervisor.run
        assert run is not None
        run.cancel_stretch(bench.clock.monotonic_s())
        bench = make_bench()
        bench.supervisor.restore(run, "power cut")
    bench.run_for(2.0)
    assert bench.supervisor.state is state
    return bench


REFUSED = None
TABLE = {
    #                start       pause     resume      stop        acknowledge
    S.IDLE:        (S.CHECKING, REFUSED,  REFUSED,    S.IDLE,     REFUSED),
    S.CHECKING:    (REFUSED,    REFUSED,  REFUSED,    S.STOPPED,  REFUSED),
    S.RUNNING:     (REFUSED,    S.PAUSED, REFUSED,    S.STOPPED,  REFUSED),
    S.PAUSED:      (REFUSED,    REFUSED,  S.CHECKING, S.STOPPED,  REFUSED),
    S.FINISHED:    (S.CHECKING, REFUSED,  REFUSED,    S.FINISHED, S.IDLE),
    S.STOPPED:     (S.CHECKING, REFUSED,  REFUSED,    S.STOPPED,  S.IDLE),
    S.TRIPPED:     (REFUSED,    REFUSED,  REFUSED,    S.TRIPPED,  S.PAUSED),
    S.INTERRUPTED: (REFUSED,    REFUSED,  S.CHECKING, S.STOPPED,  REFUSED),
}  # fmt: skip
COMMANDS = ("start", "pause", "resume", "stop", "acknowledge")
CELLS = [
    (state, command, row[i]) for state, row in TABLE.items() for i, command in enumerate(COMMANDS)
]


@pytest.mark.parametrize("state", S)
def test_refusal_names_what_is_possible(state: RunState) -> None:
    """The sentence names exactly the commands that the table accepts."""
    sentence = str(Message(f"supervisor.possible.{state.value}")).lower()
    named = set(re.findall(r"start|pause|resume|acknowledge|stop(?!p)", sentence))
    accepted = {command.value for command in Command if state in ACCEPTED_IN[command]}
    assert named == accepted | ({"stop"} if state in STOP_ENDS else set())


@pytest.mark.parametrize(
    ("state", "command", "expected"), CELLS, ids=[f"{s}-{c}" for s, c, _ in CELLS]
)
def test_states_and_commands(state: RunState, command: str, expected: RunState | None) -> None:
    bench = bench_in(state)
    charge = None if bench.supervisor.run is None else bench.supervisor.run.counter.charge_coulombs

    def give() -> None:
        if command == "stop":
            bench.gate.revoke(OffRequest.STOP)
            assert not bench.gate.reads_on()
            bench.tick()
        elif command == "start":
            bench.start()
        else:
            getattr(bench.supervisor, command)()

    if expected is REFUSED:
        with pytest.raises(WrongStateError) as caught:
            give()
        assert caught.value.message == Message(
            "supervisor.refused.command",
            {
                "command": command,
                "state": state.value,
                "possible": Message(f"supervisor.possible.{state.value}"),
            },
        )
        assert bench.supervisor.state is state
    else:
        give()
        assert bench.supervisor.state is expected
    if bench.supervisor.state is not S.RUNNING:
        assert not bench.gate.reads_on()
    if charge is not None and command in ("stop", "pause", "resume"):
        assert bench.supervisor.run is not None
        assert bench.supervisor.run.counter.charge_coulombs >= charge


def test_readme_has_this_table() -> None:
    """The table of states and commands in controller/README.md, cell by cell, and no other row."""
    page = (ROOT / "controller" / "README.md").read_text(encoding="utf-8")
    text = page.split("\n## States and commands\n")[1].split("\n## ")[0]
    assert len([line for line in text.splitlines() if line.startswith("|")]) == 2 + len(TABLE)
    for state, row in TABLE.items():
        cells = [
            c.strip()
            for c in next(
                line for line in text.splitlines() if line.startswith(f"| {state} |")
            ).split("|")[2:-1]
        ]
        assert len(cells) == len(row)
        for cell, expected in zip(cells, row, strict=True):
            assert cell.startswith("refused" if expected is REFUSED else f"{expected}"), (
                f"{state}: {cell!r}"
            )


def test_turn_on_has_one_call_site() -> None:
    root = ROOT
    calls = [
        f"{path.name}: {line.strip()}"
        for room in ("controller", "hardware", "api")
        for path in sorted((root / room).rglob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"\.turn_on\(", line)
    ]
    assert calls == ["supervisor.py: self._gate.turn_on()"]


def test_whole_run() -> None:
    """A run turns on once, counts its charge and finishes."""
    bench = make_bench()
    plan = bench.running()
    bench.until(S.FINISHED)
    bench.run_for(1.0)
    run = bench.supervisor.run
    assert run is not None
    # 0.25 mm over 7.67 cm2 of silver is 1800 C (common practice, no source); 3 A for 10 min.
    assert run.counter.charge_coulombs == pytest.approx(1800.0, rel=2e-3)
    assert run.on_time_s == pytest.approx(plan.charge_coulombs / 3.0, rel=1e-3)
    assert bench.pin.levels.count(1) == 1
    assert not run.counter.is_counting
    outbox = bench.supervisor.take_outbox()
    assert isinstance(outbox[0], Began)
    states = [n.state for n in outbox if isinstance(n, Changed)]
    assert states == [S.CHECKING, S.RUNNING, S.FINISHED]
    assert sum(isinstance(n, Counted) for n in outbox) > 6000


def test_checking_stays_off() -> None:
    """The check measures the zero offset and never turns the relay on."""
    bench = make_bench()
    bench.start()
    while bench.supervisor.state is S.CHECKING:
        assert not bench.gate.reads_on()
        bench.tick()
    assert bench.supervisor.zero_offset_a == pytest.approx(0.001)
    bench.run_for(1.0)
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("current_a", "voltage_v", "reason"),
    [
        (0.0105, 0.2, TripReason.ZERO_OFFSET),
        (-0.0105, 0.2, TripReason.ZERO_OFFSET),
        (2.9, 3.0, TripReason.RELAY_WELDED),
        (0.0, 3.0, TripReason.RELAY_WELDED),
        (float("nan"), 0.0, TripReason.SENSOR_FAULT),
    ],
)
def test_failed_check_trips(current_a: float, voltage_v: float, reason: TripReason) -> None:
    """A failed check trips before anything is switched on."""
    bench = make_bench()
    bench.start()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (  # type: ignore[method-assign]
        (s := poll()) and s.__class__(s.taken_at_s, current_a, voltage_v)
    )
    bench.until(S.TRIPPED, within_s=3.0)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is reason
    assert 1 not in bench.pin.levels


def test_small_offset_is_nulled() -> None:
    """A small offset is taken out of every sample."""
    bench = make_bench()
    poll = bench.sensor.poll
    bench.sensor.poll = lambda: (
        (s := poll()) and s.__class__(s.taken_at_s, s.current_a + 0.0065, s.voltage_v)
    )  # type: ignore[method-assign]
    bench.running(for_s=30.0)
    assert bench.supervisor.last_sample is not None
    assert bench.supervisor.last_sample.current_a == pytest.approx(3.0)


def test_stop_before_turn_on() -> None:
    """A Stop between the check and the turning on wins."""
    bench = make_bench()
    bench.start()
    real_turn_on = bench.gate.turn_on

    def stop_first() -> None:
        bench.gate.revoke(OffRequest.STOP)
        real_turn_on()

    bench.gate.turn_on = stop_first  # type: ignore[method-assign]
    bench.until(S.STOPPED, within_s=5.0)
    assert 1 not in bench.pin.levels
    assert bench.supervisor.run is not None
    assert not bench.supervisor.run.counter.is_counting


def test_bug_trips() -> None:
    """A bug in a pass trips, and is raised again with the relay off."""
    bench = make_bench()
    bench.running(for_s=1.0)
    bench.sensor.error = ZeroDivisionError("bug")
    with pytest.raises(ZeroDivisionError):
        bench.tick()
    assert not bench.gate.reads_on()
    assert bench.supervisor.state is S.TRIPPED
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.CONTROLLER_FAULT
    bench.sensor.error = None
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.STOPPED, "a run whose program failed cannot go on"


def test_off_precedes_text() -> None:
    """The relay is off before an exception is asked for its text, which may read the disk."""
    bench = make_bench()
    bench.running(for_s=1.0)
    was_on: list[bool] = []

    class AskedError(Exception):
        def __str__(self) -> str:
            was_on.append(bench.gate.reads_on())
            return "asked"

    bench.sensor.error = AskedError()
    with pytest.raises(AskedError):
        bench.tick()
    assert was_on
    assert not any(was_on)


def test_off_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Off comes before everything that could fail."""
    bench = make_bench()
    bench.running(for_s=1.0)
    monkeypatch.setattr(ActiveRun, "end_stretch", lambda _run, _now_s: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        bench.supervisor.pause()
    assert not bench.gate.reads_on()
    assert bench.supervisor.state is S.PAUSED


def test_first_reason_wins() -> None:
    """The first reason stays until it is acknowledged."""
    bench = make_bench()
    bench.running(for_s=1.0)
    bench.sensor.error = SensorResetError("config reads 0x399F")
    bench.tick()
    bench.sensor.error = SensorError("wire off")
    bench.run_for(5.0)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.SENSOR_RESET
    changes = [
        n for n in bench.supervisor.take_outbox() if isinstance(n, Changed) and n.state is S.TRIPPED
    ]
    assert len(changes) == 1, "told once, not at every pass"


def test_stuck_sensor() -> None:
    """The age watch turns off while the loop is stuck in the sensor."""
    bench = make_bench()
    bench.running(for_s=5.0)
    since_s = bench.freshness.taken_at_s
    bench.clock.advance_to(since_s + 1.0)
    assert bench.gate.reads_on()
    bench.clock.advance(0.06)
    assert not bench.gate.reads_on(), "off without a single pass of the loop"
    bench.tick()
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.SENSOR_STALE
    run = bench.supervisor.run
    assert run is not None
    # Unseen for 1.06 s at up to 3.9 A.
    assert run.counter.uncertain_coulombs == pytest.approx(1.06 * 3.9, rel=0.03)
    with pytest.raises(WrongStateError):
        bench.start()
    bench.supervisor.acknowledge()
    assert bench.gate.standing_request() is None
    bench.supervisor.resume()
    bench.until(S.RUNNING, within_s=5.0)


def test_frozen_sensor() -> None:
    """A frozen sensor ends a run; outside a run it is reported."""
    bench = make_bench()
    bench.running(for_s=2.0)
    bench.sensor.frozen = True
    bench.until(S.TRIPPED, within_s=1.2)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.SENSOR_STALE
    idle = make_bench()
    idle.sensor.frozen = True
    idle.run_for(1.5)
    assert idle.supervisor.state is S.IDLE
    assert idle.supervisor.sensor_finding is not None
    assert idle.supervisor.sensor_finding.reason is TripReason.SENSOR_STALE
    assert idle.supervisor.sensor_finding.limit == 1.0
    idle.sensor.frozen = False
    idle.run_for(1.5)
    assert idle.supervisor.sensor_finding is None


def test_welded_relay() -> None:
    """Found after off, and not to be acknowledged while current flows."""
    bench = make_bench()
    bench.running(for_s=30.0)
    reading = bench.sensor.reading
    poll = bench.sensor.poll

    def welded() -> object:
        sample = poll()
        return sample and sample.__class__(sample.taken_at_s, *reading(0.0))

    bench.sensor.poll = welded  # type: ignore[method-assign,assignment]
    bench.supervisor.pause()
    off_at_s = bench.clock.monotonic_s()
    charge = bench.supervisor.run.counter.charge_coulombs  # type: ignore[union-attr]
    bench.until(S.TRIPPED, within_s=1.0)
    assert bench.clock.monotonic_s() - off_at_s < 0.5 + 4 * 0.0886
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.RELAY_WELDED
    bench.run_for(10.0)
    flowed = bench.supervisor.run.counter.charge_coulombs - charge  # type: ignore[union-attr]
    assert flowed == pytest.approx(30.0, rel=0.1), "what flows also etches and is counted"
    with pytest.raises(WrongStateError) as caught:
        bench.supervisor.acknowledge()
    assert caught.value.message == Message("supervisor.refused.still_live")
    bench.sensor.poll = poll  # type: ignore[method-assign]
    bench.run_for(0.5)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.STOPPED


def test_pause_keeps_charge() -> None:
    """Charge is kept over pause and resume."""
    bench = make_bench()
    bench.running(for_s=100.0)
    bench.supervisor.pause()
    bench.run_for(50.0)
    assert bench.supervisor.run is not None
    counted = bench.supervisor.run.counter.charge_coulombs
    assert counted == pytest.approx(300.0, rel=3e-3)
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    assert bench.supervisor.run.counter.charge_coulombs == pytest.approx(1800.0, rel=2e-3)
    assert bench.supervisor.run.on_time_s == pytest.approx(600.0, rel=2e-3)


@pytest.mark.parametrize("wait_s", [0.0, 0.02, 0.06, 0.1, 0.3])
def test_resume_right_after_pause(
    wait_s: float,
) -> None:
    """The first conversion after off straddles it and still shows current."""
    bench = make_bench()
    bench.running(for_s=30.0)
    poll = bench.sensor.poll
    straddling = True

    def smeared() -> object:
        nonlocal straddling
        sample = poll()
        if sample is not None and not bench.gate.reads_on() and straddling:
            straddling = False
            return sample.__class__(sample.taken_at_s, 1.4, 2.0)
        return sample

    bench.sensor.poll = smeared  # type: ignore[method-assign,assignment]
    bench.supervisor.pause()
    bench.run_for(wait_s)
    bench.supervisor.resume()
    bench.until(S.RUNNING, within_s=3.0)


def test_second_look() -> None:
    """One bad sample asks for a second look, which trips within one poll."""
    bench = make_bench(lambda now_s: (3.0, 9.0 if now_s >= over_at_s else 3.0))
    over_at_s = float("inf")
    bench.running(for_s=30.0)
    over_at_s = bench.clock.monotonic_s()
    bench.until(S.TRIPPED, within_s=0.2)
    assert bench.sensor.second_looks == 1
    assert bench.clock.monotonic_s() - over_at_s <= 0.0686 + 3 * 0.02 + 1e-6


def test_shutdown_interrupts() -> None:
    """After a shutdown nothing turns the relay on again."""
    bench = make_bench()
    bench.running(for_s=10.0)
    bench.gate.revoke(OffRequest.SHUTDOWN)
    bench.tick()
    assert bench.supervisor.state is S.INTERRUPTED
    bench.supervisor.resume()
    bench.run_for(3.0)
    assert not bench.gate.reads_on()
    assert bench.supervisor.state is S.INTERRUPTED


def test_relay_reads_off() -> None:
    """A relay output that reads off in the middle of a run is a fault."""
    bench = make_bench()
    bench.running(for_s=1.0)
    bench.gate.turn_off()
    bench.tick()
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.CONTROLLER_FAULT


def test_too_deep_for_sheet() -> None:
    """The depth limit ends the run before its target."""
    bench = make_bench()
    bench.running(silver_request(thickness_mm=0.5))
    bench.until(S.TRIPPED)
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.DEPTH_LIMIT
    # 50 % of 0.5 mm over the edge factor 1.3.
    assert bench.supervisor.finding.value == pytest.approx(0.25 / 1.3, rel=1e-2)
