"""Constants and conversions at the edge."""

from __future__ import annotations

import math
import re

import pytest
import scipy.constants

from controller import units
from controller.errors import RefusedError
from controller.texts import text_or_none
from tests.paths import ROOT


def test_the_faraday_constant_is_codata() -> None:
    # Source: CODATA as carried by scipy.constants; the module rounds to ten digits.
    assert (
        pytest.approx(scipy.constants.physical_constants["Faraday constant"][0], rel=5e-10)
        == units.FARADAY_COULOMBS_PER_MOL
    )
    assert (
        pytest.approx(scipy.constants.e * scipy.constants.N_A, rel=5e-10)
        == units.FARADAY_COULOMBS_PER_MOL
    )


def test_lengths_and_areas() -> None:
    # Source: scipy.constants (metres).
    assert scipy.constants.inch * 1000.0 == pytest.approx(units.MM_PER_INCH, rel=1e-15)
    assert scipy.constants.hour == units.SECONDS_PER_HOUR
    assert units.cm2_to_mm2(7.67) == pytest.approx(767.0)
    assert units.mm2_to_cm2(767.0) == pytest.approx(7.67)
    assert units.MM2_PER_DM2 == (100.0) ** 2, "a decimetre is 100 mm"
    assert units.MM2_PER_CM2 == 10.0**2
    assert units.MM3_PER_CM3 == 10.0**3


def test_current_density_of_common_practice() -> None:
    # Common practice, no source: 3 A over 7.67 cm2 is 39 A/dm2, which is brisk.
    assert units.current_density_a_per_dm2(3.0, 767.0) == pytest.approx(39.1, abs=0.05)


@pytest.mark.parametrize("value", [0.0, -0.0, -1.0, math.nan, math.inf, -math.inf])
def test_nonpositive_value_is_refused(value: float) -> None:
    """What is not above zero is refused with the value and the limit."""
    with pytest.raises(RefusedError) as caught:
        units.positive(value, "depth_mm", "mm")
    assert caught.value.field == "depth_mm"
    assert caught.value.message.values["value"] is value
    assert (caught.value.field, caught.value.limit) == ("depth_mm", "above 0 mm")


def test_positive_value_passes_unchanged() -> None:
    assert units.positive(5e-324, "depth_mm", "mm") == 5e-324


@pytest.mark.parametrize("value", [-5e-324, -1.0, math.nan, math.inf, -math.inf])
def test_negative_value_is_refused(value: float) -> None:
    with pytest.raises(RefusedError) as caught:
        units.not_negative(value, "edge_mm", "mm")
    assert caught.value.message.values["value"] is value
    assert (caught.value.field, caught.value.limit) == ("edge_mm", "0 mm")


@pytest.mark.parametrize("value", [0.0, 5e-324, 0.5, 1e300])
def test_value_from_zero_passes(value: float) -> None:
    assert units.not_negative(value, "edge_mm", "mm") == value


def test_zero_refused_by_name() -> None:
    """The wording, with and without a unit."""
    with pytest.raises(RefusedError) as caught:
        units.positive(0.0, "depth_mm", "mm")
    assert str(caught.value) == "The depth is 0 mm; it must be above 0 mm."
    assert caught.value.limit == "above 0 mm"
    with pytest.raises(RefusedError) as caught:
        units.not_negative(-1.0, "crowding", "")
    assert str(caught.value) == "The crowding is -1; it must be at least 0."
    assert caught.value.limit == "0"
    with pytest.raises(RefusedError) as caught:
        units.positive(math.inf, "etch_factor", "")
    assert str(caught.value) == "The etch factor must be a finite number, not inf."


def checked_fields() -> set[str]:
    """Return the fields that the code gives to ``positive`` and ``not_negative``."""
    calls = re.compile(r"\b(?:positive|not_negative)\(\s*[^\"]*?\"(\w+)\"")
    files = [
        path for room in ("controller", "hardware", "api") for path in (ROOT / room).rglob("*.py")
    ]
    return {name for path in files for name in calls.findall(path.read_text(encoding="utf-8"))}


def test_checked_fields_have_names() -> None:
    """A refusal calls each field by its name for a person."""
    fields = checked_fields()
    assert {"depth_mm", "spots_mm", "supply_v"} <= fields, "the scan finds them"
    assert {name for name in fields if text_or_none(f"physics.field.{name}") is None} == set()
