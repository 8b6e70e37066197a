"""The process that calculates: results, errors, pieces, and what happens when it ends."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.calculator import Calculator
from controller.calculator.calculator import CalculationFailedError
from controller.config import Settings
from controller.errors import BiteclockError, RefusedError
from controller.logbook.bath_reader import BathReader
from controller.logbook.reader import UnknownRunError
from controller.planning.plan import make_plan
from controller.recording.baths import BathShelf
from tests.kits.doubles import silver_request
from tests.kits.logbook_kit import ManualLogbook, began

# Functions for the other process must be those of a module that it can import.


def quotient(a: float, b: float) -> float:
    return a / b


def own_pid() -> int:
    return os.getpid()


def open_descriptors() -> list[str]:
    return sorted(os.readlink(f"/proc/self/fd/{name}") for name in os.listdir("/proc/self/fd")[:-1])


def niceness() -> int:
    return os.nice(0)


def refuse(value_mm: float) -> None:
    raise RefusedError("plan.gauge_stop_outside", field="stop_mm", stop_mm=value_mm, target_mm=1.0)


def end_hard() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def wait_for_ever() -> None:
    signal.pause()


def print_something() -> str:
    print("a library prints")
    return "an answer"


def unpicklable() -> object:
    return lambda: None


def count_to(last: int) -> Iterator[int]:
    if last < 0:
        raise ValueError(last)
    for number in range(last):
        if number == 3:
            raise LookupError("three")
        yield number


@pytest.fixture(scope="module")
def calculator() -> Iterator[Calculator]:
    calculator = Calculator()
    yield calculator
    calculator.close()


def test_result_from_elsewhere(calculator: Calculator) -> None:
    assert calculator(quotient, 1.0, 8.0) == 0.125
    assert calculator(own_pid) != os.getpid()
    assert calculator(niceness) > os.nice(0)


def test_errors_come_back(calculator: Calculator) -> None:
    with pytest.raises(ZeroDivisionError):
        calculator(quotient, 1.0, 0.0)
    with pytest.raises(RefusedError) as refused:
        calculator(refuse, 2.0)
    assert refused.value.message.key == "plan.gauge_stop_outside"
    assert refused.value.message.values["stop_mm"] == 2.0
    assert refused.value.field == "stop_mm"
    with pytest.raises(RuntimeError, match="pickle"):
        calculator(unpicklable)


def test_prints_do_not_mix_in(calculator: Calculator) -> None:
    assert calculator(print_something) == "an answer"
    assert calculator(quotient, 1.0, 2.0) == 0.5


def test_nothing_is_inherited(calculator: Calculator, tmp_path: Path) -> None:
    """Neither the pins nor a connection: a copy of the pin's descriptor would keep the line."""
    with (tmp_path / "pin").open("w") as pin:
        os.set_inheritable(pin.fileno(), True)
        fresh = Calculator()
        try:
            opened = fresh(open_descriptors)
        finally:
            fresh.close()
    assert not any("pin" in name or "socket" in name for name in opened), opened


def test_pieces_on_demand(calculator: Calculator) -> None:
    pieces = calculator.pieces(count_to, 10)
    assert [next(pieces), next(pieces)] == [0, 1]
    assert calculator(quotient, 3.0, 2.0) == 1.5, "another question comes in between"
    assert next(pieces) == 2
    with pytest.raises(LookupError, match="three"):
        next(pieces)
    assert list(calculator.pieces(count_to, 2)) == [0, 1]
    with pytest.raises(ValueError, match="-1"):
        list(calculator.pieces(count_to, -1))


def test_dropped_pieces_are_forgotten(calculator: Calculator) -> None:
    pieces = calculator.pieces(count_to, 3)
    assert next(pieces) == 0
    pieces.close()  # type: ignore[attr-defined]
    calculator(quotient, 1.0, 1.0)
    late = calculator._read(0)
    with pytest.raises(KeyError):
        next(late)


def test_dead_process_is_replaced() -> None:
    calculator = Calculator()
    try:
        first = calculator(own_pid)
        with pytest.raises(CalculationFailedError):
            calculator(end_hard)
        second = calculator(own_pid)
        os.kill(second, signal.SIGKILL)
        os.waitid(os.P_PID, second, os.WEXITED | os.WNOWAIT)
        assert calculator(own_pid) not in (first, second), "it ended between two questions"
    finally:
        calculator.close()


def test_silent_process_is_ended() -> None:
    """One that never answers: the limit is 50 ms here, and what is waited for comes never."""
    calculator = Calculator()
    try:
        pid = calculator(own_pid)
        calculator._time_limit_s = 0.05
        with pytest.raises(CalculationFailedError):
            calculator(wait_for_ever)
        assert not Path(f"/proc/{pid}").exists()
    finally:
        calculator.close()


def test_process_ends_with_its_input() -> None:
    calculator = Calculator()
    pid = calculator(own_pid)
    child = calculator._child
    assert child is not None
    child.questions.close()
    assert child.process.wait() == 0, pid
    calculator.close()


def test_plans_are_equal(calculator: Calculator, tmp_path: Path) -> None:
    """A plan and a learner from the other process equal those made here."""
    settings, request = Settings(), silver_request()
    there = calculator(make_plan, request, settings, 16.0)
    assert there == make_plan(request, settings, 16.0)
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.logbook.work()
    reader = BathReader(manual.reader)
    here = BathShelf(manual.logbook, reader, manual.clock, settings)
    elsewhere = BathShelf(manual.logbook, reader, manual.clock, settings, calculator)
    here.save("tank 1", "fine-silver", "nitric acid", 1.0, None, "")
    manual.logbook.work()
    manual.write(began("r1"))
    assert elsewhere.state("tank 1") == here.state("tank 1")
    with pytest.raises(UnknownRunError):
        calculator.pieces(samples_of, manual.reader, "none")
    manual.logbook.finish()


def samples_of(reader: object, run_id: str) -> Iterator[object]:
    return reader.samples(run_id)  # type: ignore[attr-defined, no-any-return]


def every_error() -> list[type[BiteclockError]]:
    found, waiting = [], [BiteclockError]
    while waiting:
        kind = waiting.pop()
        found.append(kind)
        waiting += kind.__subclasses__()
    return found


def test_every_error_is_copied_whole() -> None:
    """Also one whose constructor takes other arguments than a key and values."""
    import pickle

    import api.http.problems  # noqa: F401 so that every error is known

    for kind in every_error():
        error = kind.__new__(kind, "plan.gauge_stop_outside")
        BiteclockError.__init__(error, "plan.gauge_stop_outside", stop_mm=2.0, target_mm=1.0)
        error.detail_mm = 3.0  # type: ignore[attr-defined]
        copy = pickle.loads(pickle.dumps(error))
        assert type(copy) is kind
        assert copy.message == error.message
        assert copy.detail_mm == 3.0
