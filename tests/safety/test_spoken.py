"""The safety path speaks only through the catalogue.

In these runs every sentence of the catalogue is put into brackets. A text that was made anywhere
else would stand outside them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest

from controller.errors import SensorError, SensorResetError, WrongStateError
from controller.messages import Finding, OffRequest, RunState, TripReason
from controller.safety.limits import RULES
from controller.safety.outbox import Changed, Noted
from controller.safety.transitions import Command
from controller.texts import Catalogue, Message, Value
from tests.kits.doubles import Bench, make_bench, silver_request

S = RunState
OURS = frozenset({"guards", "supervisor"})


class Bracketed(Catalogue):
    """The catalogue with its sentences in brackets. A mistake in it raises."""

    def sentence(self, key: str, values: Mapping[str, Value]) -> str:
        file, _, rest = key.partition(".")
        if file not in OURS:
            return super().sentence(key, values)
        return f"⟦{self.part(file)[rest].format_map(values)}⟧"


def is_bracketed(sentence: str) -> bool:
    """Return whether one pair of brackets encloses the whole sentence."""
    depth = 0
    for place, letter in enumerate(sentence):
        depth += (letter == "⟦") - (letter == "⟧")
        if depth == 0:
            return place > 0 and place == len(sentence) - 1
    return False


class Listener:
    """Collects what a supervisor says."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.heard: list[Message] = []

    def listen(self) -> None:
        """Take everything that has been said since the last call."""
        supervisor = self.bench.supervisor
        said: list[Message | None] = [supervisor.message]
        for item in supervisor.take_outbox():
            if isinstance(item, Changed | Noted):
                said.append(item.message)
        for finding in (supervisor.finding, supervisor.sensor_finding):
            if finding is not None:
                said += [finding.message, finding.title, finding.what, finding.advice]
        if supervisor.run is not None:
            said += supervisor.run.warnings()
        report = supervisor.report_check()
        if report is not None:
            said += [item.note for item in report.items]
        self.heard += [message for message in said if message is not None]

    def give_each_command(self) -> None:
        """Give the commands that are refused now."""
        supervisor = self.bench.supervisor
        for command in (Command.PAUSE, Command.RESUME, Command.ACKNOWLEDGE):
            try:
                getattr(supervisor, command.value)()
            except WrongStateError as error:
                self.heard.append(error.message)
            self.listen()


@pytest.fixture(autouse=True)
def _bracketed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.texts.catalogue.CATALOGUE", Bracketed())


def assert_bracketed(listener: Listener, *keys: str) -> None:
    """Assert that all was said through the catalogue, and that these keys were among it."""
    sentences = [str(message) for message in listener.heard]
    assert sentences
    assert [sentence for sentence in sentences if not is_bracketed(sentence)] == []
    heard = {message.key for message in listener.heard}
    assert set(keys) <= heard, sorted(heard)


def reading_of(current_a: float, voltage_v: float) -> Callable[[Bench], None]:
    """A cell that shows other values from now on."""

    def change(bench: Bench) -> None:
        bench.sensor.reading = lambda _now_s: (current_a, voltage_v)

    return change


def failing(error: Exception) -> Callable[[Bench], None]:
    def change(bench: Bench) -> None:
        bench.sensor.error = error

    return change


def saturate(bench: Bench) -> None:
    bench.sensor.saturated = True


def freeze(bench: Bench) -> None:
    bench.sensor.frozen = True


def pull_low(bench: Bench) -> None:
    bench.pin.off()


def request_for(request: OffRequest) -> Callable[[Bench], None]:
    return lambda bench: bench.gate.revoke(request)


FAULTS: list[tuple[str, Callable[[Bench], None], str]] = [
    ("over_voltage", reading_of(3.0, 7.0), "guards.over_voltage.what"),
    ("over_current", reading_of(4.5, 3.0), "guards.over_current.what"),
    ("short_circuit", reading_of(3.0, 0.1), "guards.short_circuit.what"),
    ("reverse_current", reading_of(-3.0, -2.0), "guards.reverse_current.what"),
    ("lost_contact", reading_of(0.0, 0.2), "guards.lost_contact.what"),
    ("weak_contact", reading_of(1.5, 3.0), "guards.lost_contact.weak"),
    ("not_a_number", reading_of(math.nan, 3.0), "guards.sensor_fault.what"),
    ("resist_leak", reading_of(3.0, 2.4), "guards.resist_leak.what"),
    ("bridge", reading_of(3.0, 1.0), "guards.resist_leak.what"),
    ("voltage_risen", reading_of(3.0, 4.9), "guards.over_voltage.risen"),
    ("resistance_risen", reading_of(3.0, 3.4), "guards.warning.resistance"),
    ("saturated", saturate, "guards.sensor_saturated.what"),
    ("frozen", freeze, "guards.sensor_stale.what"),
    ("sensor", failing(SensorError("supervisor.note.unseen_end")), "guards.sensor_fault.what"),
    ("reset", failing(SensorResetError("supervisor.note.unseen_end")), "guards.sensor_reset.what"),
    ("reads_off", pull_low, "guards.controller_fault.reads_off"),
    ("stop", request_for(OffRequest.STOP), "supervisor.state.stopped"),
    ("button", request_for(OffRequest.STOP_BUTTON), "supervisor.state.stopped_by_button"),
    ("shutdown", request_for(OffRequest.SHUTDOWN), "supervisor.state.shut_down"),
]


@pytest.mark.parametrize(("change", "key"), [row[1:] for row in FAULTS], ids=[r[0] for r in FAULTS])
def test_faults(change: Callable[[Bench], None], key: str) -> None:
    bench = make_bench(limits={"contact_grace_s": 0.5, "max_voltage_v": 6.0})
    listener = Listener(bench)
    bench.running(for_s=130.0)
    listener.listen()
    change(bench)
    for _ in range(30):
        bench.run_for(0.5)
        listener.listen()
    listener.give_each_command()
    assert_bracketed(listener, key, "supervisor.state.relay_on")


def test_whole_run_with_gauge_stop() -> None:
    bench = make_bench()
    listener = Listener(bench)
    listener.give_each_command()
    bench.start(silver_request(gauge_stops_mm=(0.01,)))
    listener.give_each_command()
    for state in (S.RUNNING, S.PAUSED):
        bench.until(state)
        listener.listen()
    bench.supervisor.resume()
    bench.until(S.RUNNING)
    bench.supervisor.pause()
    listener.listen()
    bench.supervisor.resume()
    bench.until(S.FINISHED)
    listener.listen()
    listener.give_each_command()
    assert_bracketed(
        listener,
        "supervisor.state.checking",
        "supervisor.state.checking_again",
        "supervisor.state.gauge_stop",
        "supervisor.state.paused",
        "supervisor.state.target_reached",
        "supervisor.state.acknowledged",
        "supervisor.refused.command",
        "supervisor.check.zero_offset",
        "supervisor.check.cell_voltage",
    )


REPORT = Message("guards.store_full.trouble", {"report": "full"})
CUTS = [
    *(Finding(rule.reason, 2.0, 1.0, rule.unit, rule.case) for rule in RULES),
    Finding(TripReason.ZERO_OFFSET, 0.01, 0.008, "A"),
    Finding(TripReason.RELAY_WELDED, 2.0, 1.5, "V", "voltage"),
    Finding(TripReason.STORE_FULL, 11.0, 10.0, "s", cause=REPORT),
]
"""Every rule, and reasons that come from a check or another part."""


def test_no_reason_is_left_out() -> None:
    in_runs = {key.split(".")[1] for _, _, key in FAULTS if key.startswith("guards.")}
    assert in_runs - {"warning"} | {finding.reason.value for finding in CUTS} == set(TripReason)


@pytest.mark.parametrize("finding", CUTS, ids=lambda finding: finding.what.key)
def test_cuts(finding: Finding) -> None:
    """Also what follows the acknowledgement."""
    bench = make_bench()
    listener = Listener(bench)
    bench.running()
    bench.supervisor.cut(finding)
    listener.listen()
    listener.give_each_command()
    assert_bracketed(listener, finding.what.key, finding.title.key, finding.advice.key)


def test_bug_and_unseen_end() -> None:
    bench = make_bench()
    listener = Listener(bench)
    bench.running()
    bench.sensor.error = ZeroDivisionError("bug")
    with pytest.raises(ZeroDivisionError):
        bench.tick()
    listener.listen()
    bench.sensor.error = SensorError("guards.sensor_fault.no_number")
    bench.run_for(3.0)
    listener.listen()
    assert_bracketed(listener, "guards.controller_fault.what", "supervisor.note.unseen_end")


def test_weld_and_refused_acknowledgement() -> None:
    bench = make_bench()
    listener = Listener(bench)
    bench.running()
    pin = bench.gate.reads_on
    bench.sensor.gate = type("Welded", (), {"reads_on": lambda _self: True})()
    bench.supervisor.pause()
    bench.run_for(2.0)
    listener.listen()
    listener.give_each_command()
    assert not pin()
    assert_bracketed(listener, "guards.relay_welded.what", "supervisor.refused.still_live")


def test_brackets_can_fail() -> None:
    assert is_bracketed("⟦a ⟦b⟧ c⟧")
    for sentence in ("a", "", "⟦a⟧ b", "a ⟦b⟧", "⟦a⟧ ⟦b⟧", "⟦a"):
        assert not is_bracketed(sentence)
    with pytest.raises(KeyError):
        str(Message("guards.over_voltage.what", {"value_v": 7.0}))
    with pytest.raises(KeyError):
        str(Message("guards.no_such_reason.what"))
