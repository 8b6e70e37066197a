"""Logs of other meters: read in one way or refused, counted, and their gaps reported.

A published log is compared with a balance.
"""

from __future__ import annotations

import math
from array import array
from statistics import correlation, linear_regression

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import RefusedError
from controller.physics.faraday import METALS, removed_mass_g
from controller.physics.meter_log import GAP_STEPS, MeterLog, count_log, read_log
from tests.paths import DATA

FILE = DATA / "silver_eqcm.csv"
HZ_PER_NG_PER_CM2 = 0.0769231
"""Of the same source as the file: ALC_EQCM, BSD 3-Clause; see the file's head."""


def log(
    time_s: list[float], current_a: list[float], voltage_v: list[float] | None = None
) -> MeterLog:
    return MeterLog(array("d", time_s), array("d", current_a), array("d", voltage_v or []))


def read(text: str) -> MeterLog:
    return read_log(text.splitlines(keepends=True))


def published() -> tuple[MeterLog, np.ndarray]:
    """Return the published log, and the mass on the crystal at each of its samples, ng/cm2."""
    lines = FILE.read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")]
    place = rows[0].index("frequency_shift_hz")
    return read_log(lines), np.array([-float(row[place]) / HZ_PER_NG_PER_CM2 for row in rows[1:]])


def charge_coulombs(whole: MeterLog, first: int, last: int) -> float:
    part = slice(first, last + 1)
    return count_log(
        MeterLog(whole.time_s[part], whole.current_a[part], ()), signed=True
    ).charge_coulombs


def test_silver_on_quartz_balance() -> None:
    """Plating and stripping move 107.8682 g/mol over F (IUPAC, CODATA), one electron an atom.

    The source gives the mass per cm2 and the current of the whole electrode. It does not state
    the area, so 1 cm2 is assumed. Two checks do not depend on the area: mass is proportional to
    charge, and it comes off as it went on.
    """
    whole, mass_ng = published()
    picked = range(20, len(mass_ng), 10)
    counted = [charge_coulombs(whole, 0, k) for k in picked]
    mass = [float(mass_ng[k]) for k in picked]
    assert correlation(counted, mass) < -0.99
    apparent_g_per_mol = -linear_regression(counted, mass).slope * 1e-9 * 96485.33212
    assert apparent_g_per_mol == pytest.approx(107.8682, rel=0.05)
    tops = [int(np.argmax(mass_ng[:400])), 400 + int(np.argmax(mass_ng[400:]))]
    low = tops[0] + int(np.argmin(mass_ng[tops[0] : tops[1]]))
    plated, stripped = (
        charge_coulombs(whole, a, b) for a, b in ((low, tops[1]), (tops[1], len(mass_ng) - 1))
    )
    assert plated < 0.0 < stripped
    assert stripped / -plated == pytest.approx(
        -(mass_ng[-1] - mass_ng[tops[1]]) / (mass_ng[tops[1]] - mass_ng[low]), rel=0.05
    )
    for first, last in ((low, tops[1]), (tops[1], len(mass_ng) - 1)):
        gained_g = float(mass_ng[last] - mass_ng[first]) * 1e-9
        assert -charge_coulombs(whole, first, last) * 107.8682 / 96485.33212 == pytest.approx(
            gained_g, rel=0.08
        )


def test_reversed_current_needs_signed() -> None:
    """A log with reversed current is counted only when signed counting is asked for."""
    whole, _ = published()
    with pytest.raises(RefusedError, match="Up to 1 % of the largest") as caught:
        count_log(whole)
    assert caught.value.field == "current_a"
    assert count_log(whole, signed=True).gaps == ()


@pytest.mark.parametrize("end_s", [10.0, 600.0])
def test_line_and_decay(end_s: float) -> None:
    """The trapezoid is exact for a line and nearly so for a decay.

    The closed forms are the integrals of 1 + t/10 and of 3 exp(-t/T).
    """
    time_s = list(np.cumsum(np.random.default_rng(5).uniform(0.05, 0.1, int(end_s * 10))))
    line = count_log(log(time_s, [1.0 + t / 10.0 for t in time_s]))
    a, b = time_s[0], time_s[-1]
    assert line.charge_coulombs == pytest.approx((b - a) + (b * b - a * a) / 20.0, rel=1e-9)
    decay = count_log(log(time_s, [3.0 * math.exp(-t / 50.0) for t in time_s]))
    assert decay.charge_coulombs == pytest.approx(
        150.0 * (math.exp(-a / 50.0) - math.exp(-b / 50.0)), rel=1e-6
    )
    assert line.samples == len(time_s)
    assert line.counted_s == line.duration_s == pytest.approx(b - a)


def test_published_worked_example() -> None:
    """10.23 A for exactly 1 hour: 0.3817 mol of electrons and 41.19 g of silver.

    Source: OpenStax Chemistry 2e, example 17.9. The book rounds in between: 0.3817 mol times
    107.9 g/mol.
    """
    hour = [float(second) for second in range(3601)]
    counted = count_log(log(hour, [10.23] * 3601, [4.0] * 3601))
    assert counted.charge_coulombs / 96485.33212 == pytest.approx(0.3817, abs=5e-5)
    assert removed_mass_g(counted.charge_coulombs, METALS["fine-silver"]) == pytest.approx(
        41.19, abs=0.02
    )
    assert counted.energy_j == pytest.approx(4.0 * 10.23 * 3600.0)


def test_gap_is_bounded() -> None:
    """A gap is bounded and not guessed."""
    time_s = [0.0, 1.0, 2.0, 3.0, 10.0, 11.0, 12.0]
    counted = count_log(log(time_s, [2.0, 2.0, 2.0, 2.0, 3.0, 2.0, 2.0], [1.0] * 7))
    assert counted.max_gap_s == GAP_STEPS * 1.0
    (gap,) = counted.gaps
    assert (gap.from_s, gap.to_s, gap.length_s) == (3.0, 10.0, 7.0)
    assert (gap.low_coulombs, gap.high_coulombs) == (0.0, 21.0)
    assert counted.charge_coulombs == pytest.approx(6.0 + 2.5 + 2.0)
    assert counted.uncertain_coulombs == pytest.approx(21.0)
    assert counted.energy_j == pytest.approx(10.5)
    assert (counted.duration_s, counted.counted_s) == (12.0, 5.0)
    assert count_log(log(time_s, [2.0] * 7), max_gap_s=7.0).gaps == ()
    assert count_log(log(time_s, [2.0] * 7), max_gap_s=7.0).charge_coulombs == pytest.approx(24.0)
    signed = count_log(log(time_s, [2.0, -2.0, 2.0, 2.0, 2.0, 2.0, 2.0]), signed=True)
    assert (signed.gaps[0].low_coulombs, signed.gaps[0].high_coulombs) == (-14.0, 14.0)
    for wrong in (0.0, -1.0, math.nan):
        with pytest.raises(RefusedError):
            count_log(log(time_s, [2.0] * 7), max_gap_s=wrong)


def test_two_missing_samples_are_gap() -> None:
    """One missing sample is no gap, and two are one."""
    assert count_log(log([0.0, 1.0, 2.0, 4.0, 5.0], [1.0] * 5)).gaps == ()
    assert len(count_log(log([0.0, 1.0, 2.0, 5.0, 6.0, 7.0], [1.0] * 6)).gaps) == 1


def test_noise_is_no_reversal() -> None:
    counted = count_log(log([0.0, 1.0, 2.0, 3.0], [-0.009, 1.0, 1.0, -0.009]))
    assert counted.charge_coulombs == pytest.approx(1.991)
    with pytest.raises(RefusedError, match="leads may be swapped"):
        count_log(log([0.0, 1.0, 2.0, 3.0], [-0.011, 1.0, 1.0, 0.0]))


@given(st.lists(st.tuples(st.floats(0.01, 2.0), st.floats(0.0, 50.0)), min_size=2, max_size=40))
def test_count_stays_within_bounds(steps: list[tuple[float, float]]) -> None:
    time_s = list(np.cumsum([step for step, _ in steps]))
    counted = count_log(log(time_s, [current for _, current in steps]))
    most = counted.highest_current_a * counted.duration_s
    assert 0.0 <= counted.charge_coulombs <= most * (1 + 1e-9) + 1e-12
    assert counted.charge_coulombs + counted.uncertain_coulombs <= most * (1 + 1e-9) + 1e-12
    assert counted.uncertain_coulombs == pytest.approx(
        sum(gap.high_coulombs for gap in counted.gaps)
    )


GOOD = [
    "time_s,current_a\n0,1\n1,2\n2,3\n",
    "time_s;current_a\n0;1\n1;2\n2;3\n",
    "time_s\tcurrent_a\n0\t1\n1\t2\n2\t3\n",
    "# of a meter\n\nnote,Current_A , TIME_S\nx,1,0\ny,2,1\n\n# pause\nz,3,2\n",
    "time_s;current_a\n0,0;1,00\n1,0;2,00\n2,0;3,00\n",
    "time_s,current_a\r\n0,+1.0\r\n1.0,.2e1\r\n2.,3E0\r\n",
    '"time_s","current_a","remark, free"\n0,1,"a, b"\n1,2,\n2,3,c\n',
]


@pytest.mark.parametrize("text", GOOD)
def test_one_log_in_many_hands(text: str) -> None:
    found = read(text)
    assert list(found.time_s) == [0.0, 1.0, 2.0]
    assert list(found.current_a) == [1.0, 2.0, 3.0]
    assert count_log(found).charge_coulombs == pytest.approx(4.0)
    assert count_log(found).energy_j is None


def test_voltage_gives_the_energy() -> None:
    """Where the log has a voltage, the energy is counted."""
    found = read("voltage_v,time_s,current_a\n3.0,0,1\n3.1,1,1\n")
    assert list(found.voltage_v) == [3.0, 3.1]
    assert count_log(found).energy_j == pytest.approx(3.05)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "The log is empty"),
        ("# nothing\n\n", "The log is empty"),
        ("time_s,current_a\n", "has 0 samples; a charge needs at least 2"),
        ("time_s,current_a\n0,1\n", "has 1 sample; a charge needs at least 2"),
        ("t,i\n0,1\n1,1\n", "Line 1: the header 't,i' has no column time_s"),
        ("time_s,amps\n0,1\n1,1\n", "no column current_a"),
        ("time_s,current_a,time_s\n0,1,0\n", "the header names time_s 2 times"),
        (
            "time_s,current_a\n0,1\n1\n",
            "Line 3 has 1 columns, but the header has 2. Decimal commas need",
        ),
        (
            "time_s;current_a\n0;1;2\n",
            "Line 2 has 3 columns, but the header has 2. Correct the line",
        ),
        ("time_s,current_a\n0,1\n0,1\n", "Line 3: the time 0 s does not come after 0 s in line 2"),
        (
            "time_s,current_a\n0,1\n2,1\n1,1\n",
            "Line 4: the time 1 s does not come after 2 s in line 3",
        ),
        ("time_s,current_a\n0,one\n", "Line 2: current_a is 'one', which is not a number"),
        ("time_s,current_a\n0,\n", "Line 2: current_a is '', which is not a number"),
        ("time_s,current_a\n0,nan\n", "'nan', which is not a number"),
        ("time_s,current_a\n0,inf\n", "'inf', which is not a number"),
        ("time_s,current_a\n0,1e13\n", "the limit is 1e12. Check the units"),
        ("time_s;current_a\n0;1.000,5\n", "with a point and a comma"),
        ("time_s;current_a\n0,5;1.5\n", "with '.' as the decimal sign; line 2 uses ','"),
        ("time_s,current_a\n0,1 A\n", "'1 A', which is not a number"),
        ("time_s,current_a\n0,1\0\n", "Line 2 has a zero byte"),
    ],
)
def test_ambiguous_lines_are_refused(text: str, expected: str) -> None:
    """What could be read in two ways is refused, with its line."""
    with pytest.raises(RefusedError, match=expected) as caught:
        read(text)
    assert caught.value.field == "file"


def test_too_many_samples_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.physics.meter_log.MAX_SAMPLES", 3)
    with pytest.raises(RefusedError, match=r"Line 5: the log has more than 3 samples\. Split it"):
        read("time_s,current_a\n" + "".join(f"{k},1\n" for k in range(4)))
