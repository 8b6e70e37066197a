"""The arithmetic of the table of measurements, against values worked out by hand; and that each row
can be measured.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.proofs.benchmarks import __main__ as bench
from tests.proofs.benchmarks import process as bench_process
from tests.proofs.benchmarks.table import (
    Line,
    Place,
    compared,
    exponent,
    grown,
    interleaved,
    machine,
    number,
    percentile,
    single,
    spread,
    table,
)


def test_median_of_ratios() -> None:
    """Ratios 2, 2, 0.5: a slow spell of the machine that hits both does not count."""
    line = compared(4, "start", [(2.0, 1.0), (20.0, 10.0), (3.0, 6.0)], "s", "bare", Place(1.5))
    assert (line.figure, line.baseline_figure, line.ratio) == (3.0, 6.0, 2.0)
    assert line.spread == pytest.approx((0.8, 2.0))  # 0.5 and a fifth of the step to 2
    assert line.repetitions == 3
    assert line.is_met is False


def test_place_includes_limit() -> None:
    """A place is met up to its limit."""
    assert Place(3.0).is_met_by(3.0)
    assert not Place(3.0).is_met_by(3.01)
    assert Place(0.8, is_least=True).is_met_by(0.8)
    assert not Place(0.8, is_least=True).is_met_by(0.79)
    assert str(Place(3.0)) == "at most 3x"
    assert str(Place(0.8, is_least=True)) == "at least 0.8x"
    assert str(Place(400.0, of_figure=True, unit="MB")) == "at most 400 MB"


def test_place_of_figure() -> None:
    """It ignores the ratio."""
    assert (
        compared(7, "peak", [(300.0, 100.0)], "MB", "alone", Place(400.0, of_figure=True)).is_met
        is True
    )
    assert compared(7, "peak", [(300.0, 100.0)], "MB", "alone", Place(2.0)).is_met is False
    assert single(2, "worst", [1.5], "conversions", Place(2.0)).is_met is None, (
        "no baseline, no ratio"
    )
    assert single(2, "worst", [1.5], "conversions").is_met is None


def test_percentiles_by_hand() -> None:
    values = [float(value) for value in range(1, 101)]
    assert percentile(values, 99.0) == 99.0
    assert percentile(values, 50.0) == 50.0
    assert percentile(values, 100.0) == 100.0
    assert percentile([7.0], 99.0) == 7.0
    assert spread([float(value) for value in range(11)]) == (1.0, 9.0)
    assert spread([4.0]) == (4.0, 4.0)


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0, 2.0])
def test_exponent_of_power(power: float) -> None:
    sizes = [1.0, 10.0, 100.0]
    assert exponent(sizes, [3.0 * size**power for size in sizes]) == pytest.approx(power, abs=1e-12)


def test_exponent_by_hand() -> None:
    """Logarithms to base 10: sizes 0, 1, 2, costs 0, 1, 1.

    Least squares: ((-1)(-2/3) + 0 + 1 (1/3)) / 2 = 0.5.
    """
    assert exponent([1.0, 10.0, 100.0], [1.0, 10.0, 10.0]) == pytest.approx(0.5)


def test_growth_line() -> None:
    """It gives the exponent and the cost of the largest."""
    line = grown(
        "logbook, runs",
        [100, 1000, 10000],
        [[1.0, 10.0, 100.0], [2.0, 20.0, 200.0], [1.0, 1.0, 1.0]],
        "ms",
        1.1,
    )
    assert line.row == 10
    assert line.figure == pytest.approx(1.0)
    assert (line.baseline_figure, line.ratio) == (1.0, 100.0)
    assert line.what == "logbook, runs, 100 / 1000 / 10000"
    assert line.is_met is True


def test_interleaved_order() -> None:
    """Both are measured in turn, every second time in the reverse order."""
    order = []

    def measure(name: str, figure: float) -> float:
        order.append(name)
        return figure

    pairs = interleaved(lambda: measure("ours", 2.0), lambda: measure("theirs", 1.0), 4)
    assert pairs == [(2.0, 1.0)] * 4
    assert order == ["ours", "theirs", "theirs", "ours"] * 2


def test_numbers_keep_three_digits() -> None:
    assert [number(value) for value in (None, 0.012345, 12.345, 1234.5, 98765.4)] == [
        "",
        "0.0123",
        "12.3",
        "1,234",
        "98,765",
    ]


def test_table_names_misses() -> None:
    lines = [
        compared(1, "tick", [(4.0, 1.0)], "us", "bare driver", Place(3.0)),
        compared(5, "memory", [(60.0, 50.0)], "MB", "bare app", Place(1.3)),
        single(6, "messages", [4.0], "a second"),
    ]
    rows = [
        [cell.strip() for cell in row.strip("|").split("|")] for row in table(lines).splitlines()
    ]
    assert rows[0] == [
        "row",
        "what",
        "figure",
        "unit",
        "baseline",
        "is",
        "ratio",
        "10 to 90 %",
        "wanted",
        "met",
    ]
    assert rows[2] == [
        "1",
        "tick",
        "4",
        "us",
        "bare driver",
        "1",
        "4",
        "4 to 4",
        "at most 3x",
        "NO",
    ]
    assert [row[-1] for row in rows[2:]] == ["NO", "yes", ""]


def test_the_machine_is_named() -> None:
    told_of = machine()
    assert told_of["cores"] >= 1
    assert told_of["cpu"]
    assert told_of["python"].startswith("3.")


def test_every_row_can_be_measured() -> None:
    assert sorted([*bench.ROWS, 10]) == list(range(1, 11))
    assert set(bench.GROWING) <= set(bench.ROWS)


def test_row_10_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """It measures the rows that grow."""
    asked = []

    def measure(row: int) -> list[Line]:
        asked.append(row)
        return [
            single(row, "itself", [1.0], "s"),
            grown(f"row {row}", [1.0, 10.0], [[1.0, 10.0]], "s"),
        ]

    monkeypatch.setattr(
        bench, "ROWS", {row: ("row", lambda _quick, row=row: measure(row)) for row in bench.ROWS}
    )
    assert {line.row for line in bench.measured([10], True)} == {10}
    assert asked == list(bench.GROWING)
    assert [line.row for line in bench.measured([8, 1], True)] == [1, 8]


def test_command_writes_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Machine, date, command and lines."""
    monkeypatch.setitem(
        bench.ROWS,
        3,
        ("rehearsal", lambda _quick: [single(3, "rehearsal", [2000.0], "s a second")]),
    )
    assert bench.main(["--rows", "3", "--quick", "--json", str(tmp_path / "bench.json")]) == 0
    written = json.loads((tmp_path / "bench.json").read_text())
    assert written["command"] == "python -m tests.proofs.benchmarks --rows 3 --quick"
    assert set(written) == {"machine", "at_utc", "command", "lines"}
    assert written["lines"][0]["figure"] == 2000.0
    assert "2,000" in capsys.readouterr().out


def test_unknown_row(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        bench.main(["--rows", "11"])
    assert "rows are 1 to 10" in capsys.readouterr().err


def test_the_bare_application_is_one() -> None:
    compile(bench_process.BARE.format(more=bench_process.WITH_DRIVERS), "bare", "exec")
