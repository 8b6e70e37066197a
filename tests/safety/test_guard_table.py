"""The table of guards in the documentation says what the code does."""

from __future__ import annotations

import pytest

from controller.messages import TripReason
from controller.safety.limits import RULES
from tests.kits.guard_table import README, cases, row, section_of, table


def test_readme_is_up_to_date() -> None:
    """``python -m tests.kits.guard_table`` writes it."""
    assert section_of(README.read_text(encoding="utf-8")) == table()


def test_rules_in_order_then_all_others() -> None:
    assert cases()[: len(RULES)] == [(rule.reason, rule.case) for rule in RULES]
    assert {reason for reason, _ in cases()} == set(TripReason)
    assert len(cases()) == len(set(cases()))


@pytest.mark.parametrize(
    ("reason", "case", "cells"),
    [
        ("over_voltage", "what", ("over 6 V in two samples", "`max_voltage_v`", "tripped", "yes")),
        ("lost_contact", "weak", ("under 60 % of", "for 10 s", "paused, with a question", "yes")),
        ("over_time", "what", ("1.5 times", "`over_time_fraction`", "tripped | no |")),
    ],
)
def test_rows(reason: str, case: str, cells: tuple[str, ...]) -> None:
    assert [cell for cell in cells if cell not in row(TripReason(reason), case)] == []
