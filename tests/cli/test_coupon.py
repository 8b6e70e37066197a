"""``biteclock coupon``: what it prints, what it keeps, what it refuses."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from api.cli.command_line import main

COUPON = ("coupon", "--area-cm2", "20", "--minutes", "50", "--temperature-degc", "20")


def test_rate_for_scripts() -> None:
    """0.1792 g of copper (8.96 g/cm3) from 20 cm2 in 50 min are 0.2 um/min."""
    result = CliRunner().invoke(
        main, [*COUPON, "--lost-g", "0.1792", "--metal", "copper", "--json"]
    )
    assert result.exit_code == 0, result.output
    values = json.loads(result.output)
    assert values["attack_um_per_min"] == pytest.approx(0.2)
    assert values["attack_low_um_per_min"] < 0.2 < values["attack_high_um_per_min"]
    assert values["metal"] == "copper"


def test_rate_in_words() -> None:
    result = CliRunner().invoke(main, [*COUPON, "--lost-g", "0.1792", "--metal", "copper"])
    assert "attack   0.2 um/min (95 %:" in result.output
    assert "Nothing was kept" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--lost-g", "0.02", "--metal", "copper"), "about 150 min in all"),
        (("--lost-g", "0.2"), "Give the bath, or the metal"),
        (("--lost-g", "-0.2", "--metal", "copper"), "which weight was taken first"),
        (("--lost-g", "0.2", "--metal", "tin foil"), "not known"),
    ],
)
def test_refusals_say_what_to_do(arguments: tuple[str, ...], words: str) -> None:
    result = CliRunner().invoke(main, [*COUPON, *arguments])
    assert result.exit_code != 0
    assert words in result.output
