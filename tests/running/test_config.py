"""Settings: what is refused, and that each message names the key, the value and what is allowed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from controller.config import Section, Settings, load_settings, parse_settings
from controller.errors import RefusedError
from controller.sensors import INA219, SENSORS


def refused(table: dict[str, Any]) -> str:
    with pytest.raises(RefusedError) as caught:
        parse_settings(table)
    assert caught.value.field == "config"
    return str(caught.value)


def sections() -> dict[str, type[Section]]:
    """Return the sections of the file by name."""
    return {
        name: field.annotation
        for name, field in Settings.model_fields.items()
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section)
    }


def test_an_empty_file_is_the_defaults() -> None:
    settings = parse_settings({})
    assert settings == Settings()
    # Common practice, no source: the limits and times that the guards stand on.
    limits = settings.limits
    assert (limits.lost_contact_fraction, limits.lost_contact_s) == (0.10, 1.0)
    assert (limits.weak_contact_fraction, limits.weak_contact_s) == (0.60, 10.0)
    assert (limits.contact_grace_s, limits.max_sample_age_s) == (20.0, 1.0)
    assert (limits.over_current_fraction, limits.over_time_fraction) == (1.3, 1.5)
    assert (limits.welded_after_s, limits.welded_a) == (0.5, 0.020)
    assert (limits.depth_of_thickness_fraction, limits.edge_depth_factor) == (0.5, 1.3)
    assert (limits.bath_warn_degc, limits.bath_off_degc) == (35.0, 45.0)
    assert settings.max_zero_offset_a == pytest.approx(0.010), (
        "200 uV at 0.02 ohm: TI SBOS448, section 7.5, grade A at /8"
    )
    assert settings.rig.sensor_range_a == pytest.approx(16.0), (
        "320 mV at 0.02 ohm: the same section"
    )
    assert settings.server.port == 8420
    assert settings.server.listen == "loopback"


def test_values_are_taken_from_their_tables() -> None:
    settings = parse_settings(
        {
            "rig": {"shunt_ohm": 0.1, "relay_pin": "GPIO27"},
            "limits": {"max_voltage_v": 5},
            "metals": {"fine-silver": {"density_g_per_cm3": 10.49}},
        }
    )
    assert (settings.rig.shunt_ohm, settings.rig.relay_pin) == (0.1, "GPIO27")
    assert settings.limits.max_voltage_v == 5.0
    assert settings.metals["fine-silver"].density_g_per_cm3 == 10.49


@pytest.mark.parametrize(
    ("table", "key", "value", "allowed"),
    [
        (
            {"limits": {"max_voltage_v": 99.0}},
            "limits.max_voltage_v",
            "99.0",
            "less than or equal to",
        ),
        ({"limits": {"max_voltage_v": 0.0}}, "limits.max_voltage_v", "0.0", "greater than 0"),
        (
            {"limits": {"max_voltage_v": float("nan")}},
            "limits.max_voltage_v",
            "nan",
            "finite number",
        ),
        ({"limits": {"max_run_s": float("inf")}}, "limits.max_run_s", "inf", "finite number"),
        (
            {"limits": {"over_current_fraction": 1.0}},
            "limits.over_current_fraction",
            "1.0",
            "greater than 1",
        ),
        (
            {"limits": {"max_sample_age_s": 5.1}},
            "limits.max_sample_age_s",
            "5.1",
            "less than or equal to 5",
        ),
        (
            {"limits": {"contact_grace_s": -0.1}},
            "limits.contact_grace_s",
            "-0.1",
            "greater than or equal to 0",
        ),
        (
            {"limits": {"depth_of_thickness_fraction": 1.0}},
            "limits.depth_of_thickness_fraction",
            "1.0",
            "less than 1",
        ),
        ({"limits": {"max_voltage_v": "six"}}, "limits.max_voltage_v", "'six'", "valid number"),
        ({"limits": 6}, "limits", "6", "dictionary"),
        ({"rig": {"i2c_bus": 1.5}}, "rig.i2c_bus", "1.5", "valid integer"),
        ({"rig": {"sensor": "ina999"}}, "rig.sensor", "'ina999'", "choose from"),
        ({"rig": {"i2c_address": 0x50}}, "rig.i2c_address", "80", "less than or equal to 79"),
        ({"rig": {"relay_pin": "17"}}, "rig.relay_pin", "'17'", "GPIO"),
        ({"rig": {"relay_pin": "GPIO28"}}, "rig.relay_pin", "'GPIO28'", "GPIO"),
        (
            {"rig": {"thermometer_id": "28-xyz"}},
            "rig.thermometer_id",
            "'28-xyz'",
            "28-[0-9a-f]{12}",
        ),
        ({"loop": {"poll_s": 0.2}}, "loop.poll_s", "0.2", "less than or equal to 0.1"),
        ({"server": {"port": 80}}, "server.port", "80", "greater than or equal to 1024"),
        (
            {"server": {"listen": "0.0.0.0"}},
            "server.listen",
            "'0.0.0.0'",
            "'loopback' or 'studio-network'",
        ),
        (
            {"server": {"hosts": ["bench.local:8420"]}},
            "server.hosts.0",
            "'bench.local:8420'",
            "pattern",
        ),
        ({"server": {"hosts": ["*"]}}, "server.hosts.0", "'*'", "pattern"),
        ({"logbook": {"when_full": "ignore"}}, "logbook.when_full", "'ignore'", "'warn' or 'trip'"),
        (
            {"metals": {"copper": {"etch_factor": 0.2}}},
            "metals.copper.etch_factor",
            "0.2",
            "greater than 0.2",
        ),
        (
            {"metals": {"copper": {"density_g_per_cm3": 25.0}}},
            "metals.copper.density_g_per_cm3",
            "25.0",
            "less than 25",
        ),
    ],
)
def test_a_wrong_value_is_named_with_key_value_and_what_is_allowed(
    table: dict[str, Any], key: str, value: str, allowed: str
) -> None:
    message = refused(table)
    line = next(line for line in message.splitlines() if line.strip().startswith(f"{key}:"))
    assert f"(given: {value})" in line
    assert allowed in line


@pytest.mark.parametrize("key", ["max_voltage_v", "off_voltage_v"])
def test_voltage_limits_stay_measurable(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit ends with the chosen sensor, also where another one measures more.

    The bus range of an INA219 ends at 16 V. Source: TI SBOS448, section 7.5, BRNG = 0.
    """
    parse_settings({"limits": {key: 15.9}})
    assert key in refused({"limits": {key: 15.91}})
    monkeypatch.setitem(SENSORS, "ina219", replace(INA219, bus_range_v=9.0))
    parse_settings({"limits": {key: 8.9}})
    message = refused({"limits": {key: 8.91}})
    assert f"{key} 8.91 V must be at most 8.9 V: the INA219 measures up to 9 V" in message


def test_a_wrong_sensor_is_named_alone() -> None:
    assert (
        refused({"rig": {"sensor": "ina999"}, "limits": {"max_voltage_v": 15.0}}).count("(given: ")
        == 1
    )


def test_own_zero_offset_limit() -> None:
    """A limit of the user's stands in place of the data sheet's."""
    settings = parse_settings({"limits": {"max_zero_offset_v": 160e-6}})
    assert settings.max_zero_offset_a == pytest.approx(0.008)


@pytest.mark.parametrize("name", list(sections()))
def test_unknown_keys_are_errors_in_every_table(name: str) -> None:
    message = refused({name: {"max_voltage": 6.0}})
    assert f"{name}.max_voltage: Extra inputs are not permitted (given: 6.0)" in message


def test_unknown_tables_are_errors() -> None:
    assert "limit: Extra inputs are not permitted" in refused({"limit": {"max_voltage_v": 6.0}})
    assert "metals.copper.density: Extra inputs are not permitted" in refused(
        {"metals": {"copper": {"density": 8.9}}}
    )


def test_every_wrong_key_is_named_at_once() -> None:
    message = refused({"limits": {"max_voltage_v": 99.0, "typo": 1}, "server": {"port": 1}})
    assert message.count("(given: ") == 3


def test_keys_that_contradict_each_other_are_refused() -> None:
    parse_settings({"limits": {"bath_warn_degc": 44.9, "bath_off_degc": 45.0}})
    message = refused({"limits": {"bath_warn_degc": 45.0, "bath_off_degc": 45.0}})
    assert "bath_warn_degc 45 must be below bath_off_degc 45: warn first" in message
    parse_settings({"limits": {"lost_contact_fraction": 0.59}})
    message = refused({"limits": {"lost_contact_fraction": 0.6}})
    assert "lost_contact_fraction" in message
    assert "must be below" in message
    assert "weak_contact_fraction" in message


def test_settings_are_frozen() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        Settings().limits.max_voltage_v = 99.0


def test_no_limit_can_be_switched_off_by_zero() -> None:
    """No "0 means unlimited": every number of the limits but the grace and the bath refuses 0."""
    for name in sections()["limits"].model_fields:
        if name not in ("contact_grace_s", "bath_warn_degc", "bath_off_degc"):
            refused({"limits": {name: 0}})
        refused({"limits": {name: -1}})
        if (
            name != "max_zero_offset_v"
        ):  # there None is the data sheet's limit, see max_zero_offset_a
            refused({"limits": {name: None}})


def test_every_key_says_what_it_is_and_every_number_guarding_metal_or_people_why() -> None:
    for name, section in sections().items():
        for key, field in section.model_fields.items():
            assert field.description or name in ("server", "logbook"), f"{name}.{key}"


# --- the file -----------------------------------------------------------------------------------------------------------


def write(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "biteclock.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_a_file_is_read(tmp_path: Path) -> None:
    path = write(
        tmp_path, '[rig]\nrelay_pin = "GPIO22"\n[metals.sterling-silver]\netch_factor = 0.9\n'
    )
    settings = load_settings(path)
    assert settings.rig.relay_pin == "GPIO22"
    assert settings.metals["sterling-silver"].etch_factor == 0.9


def test_toml_that_is_none_is_named_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, "[rig]\nrelay_pin = GPIO22\n")
    with pytest.raises(RefusedError, match=r"biteclock\.toml is no valid TOML: .*line 2"):
        load_settings(path)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="is no valid TOML"):
        load_settings(write(tmp_path, b"\xff\xfe\x00["))


def test_a_key_given_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="is no valid TOML"):
        load_settings(write(tmp_path, "[limits]\nmax_voltage_v = 5.0\nmax_voltage_v = 6.0\n"))


def test_a_missing_file_is_refused_with_its_path(tmp_path: Path) -> None:
    with pytest.raises(
        RefusedError, match=r"cannot read the configuration .*none\.toml: No such file"
    ):
        load_settings(tmp_path / "none.toml")
    with pytest.raises(RefusedError, match="cannot read the configuration"):
        load_settings(tmp_path)


# --- known faults -------------------------------------------------------------------------------------------------------


def test_a_metal_that_is_not_known_is_refused() -> None:
    refused({"metals": {"fine-silvr": {"density_g_per_cm3": 10.49}}})


@pytest.mark.parametrize(
    "table",
    [
        {"rig": {"shunt_ohm": True}},
        {"rig": {"i2c_bus": True}},
        {"limits": {"max_voltage_v": "6"}},
        {"server": {"port": "8420"}},
    ],
)
def test_a_number_must_be_a_number(table: dict[str, Any]) -> None:
    refused(table)


def test_two_functions_on_one_pin_are_refused() -> None:
    assert "GPIO17" in refused({"rig": {"relay_pin": "GPIO17", "stop_button_pin": "GPIO17"}})


@pytest.mark.parametrize("pin", ["GPIO2", "GPIO3", "GPIO8"])
@pytest.mark.parametrize("key", ["relay_pin", "second_output_pin"])
def test_an_output_that_switches_the_supply_needs_a_pin_that_boots_low(key: str, pin: str) -> None:
    refused({"rig": {key: pin}})


@pytest.mark.parametrize(
    "key",
    [
        "lost_contact_s",
        "weak_contact_s",
        "reverse_current_a",
        "off_voltage_v",
        "welded_after_s",
        "welded_a",
        "max_zero_offset_v",
        "max_run_s",
    ],
)
def test_a_limit_cannot_be_set_out_of_the_way(key: str) -> None:
    refused({"limits": {key: 1e9}})


def test_contradicting_contact_limits_are_named_with_their_values() -> None:
    assert "0.7" in refused({"limits": {"lost_contact_fraction": 0.7}}).split("(given")[0]
