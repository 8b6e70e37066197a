"""The configuration: what is refused, and the message of each refusal."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from controller.config import Section, Settings, load_settings, parse_settings
from controller.config.weaker import LOWER_IS_WEAKER, weaker_limits
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


def test_empty_file_gives_defaults() -> None:
    settings = parse_settings({})
    assert settings == Settings()
    # Common practice, no source: the limits and times of the guards.
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


def test_values_from_their_tables() -> None:
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


WRONG_VALUES: list[tuple[str, object, str]] = [
    ("limits.max_voltage_v", 99.0, "is 99 V; it must be at most 15.9 V."),
    ("limits.max_voltage_v", 0.0, "is 0 V; it must be above 0 V."),
    ("limits.max_voltage_v", math.nan, "is nan V; it must be a finite number."),
    ("limits.max_run_s", math.inf, "is inf s; it must be a finite number."),
    ("limits.over_current_fraction", 1.0, "is 1; it must be above 1."),
    ("limits.max_sample_age_s", 5.1, "is 5.1 s; it must be at most 5 s."),
    ("limits.contact_grace_s", -0.1, "is -0.1 s; it must be at least 0 s."),
    ("limits.depth_of_thickness_fraction", 1.0, "is 1; it must be below 1."),
    ("limits.max_voltage_v", "six", "is 'six'; it must be a number in V, without quotes."),
    ("limits.over_current_fraction", True, "is true; it must be a number, without quotes."),
    ("limits.bath_off_degc", 91, "is 91 °C; it must be at most 90 °C."),
    ("rig.i2c_bus", 1.5, "is 1.5; it must be a whole number, without quotes."),
    ("rig.i2c_address", 0x50, "is 80; it must be at most 79."),
    ("rig.relay_pin", "17", "is '17'; it must be a pin, written 'GPIO17' in quotes. Give the"),
    ("rig.relay_pin", 17, "is 17; it must be a pin, written 'GPIO17' in quotes. Give the number"),
    ("rig.lamp_pin", "gpio 09", "is 'gpio 09'; it must be a pin, written 'GPIO9' in quotes"),
    ("rig.relay_pin", 5, "is 5; it must be text in quotes."),
    ("rig.relay_pin", "GPIO5", "is 'GPIO5'; it must be a pin from 'GPIO9' to 'GPIO27'."),
    ("rig.relay_pin", "pin eleven", "is 'pin eleven'; it must be a pin from 'GPIO9' to 'GPIO27'."),
    ("rig.relay_pin", "GPIO28", "is 'GPIO28'; it must be a pin from 'GPIO9' to 'GPIO27'."),
    ("rig.lamp_pin", "GPIO28", "is 'GPIO28'; it must be a pin from 'GPIO0' to 'GPIO27'."),
    ("rig.thermometer_id", "28-xyz", "is '28-xyz'; it must be the thermometer's name"),
    ("loop.poll_s", 0.2, "is 0.2 s; it must be at most 0.1 s."),
    ("server.port", 80, "is 80; it must be at least 1024."),
    ("server.view_needs_pairing", 1, "is 1; it must be true or false, without quotes."),
    ("server.listen", "0.0.0.0", "is '0.0.0.0'; it must be 'loopback' or 'studio-network'."),
    ("server.hosts", ["bench.local:8420"], "has 'bench.local:8420'; a host name has letters"),
    ("server.hosts", ["*"], "has '*'; a host name has letters"),
    ("server.hosts", "bench", "is 'bench'; it must be a list in square brackets."),
    ("logbook.when_full", "ignore", "is 'ignore'; it must be 'warn' or 'trip'."),
    ("logbook.path", 5, "is 5; it must be text in quotes."),
    ("metals.copper.etch_factor", 0.2, "is 0.2; it must be above 0.2."),
    ("metals.copper.density_g_per_cm3", 25.0, "is 25 g/cm3; it must be below 25 g/cm3."),
    ("limits", 6, "is 6; it must be a table: a line [limits] with its keys below."),
]


def table_of(key: str, value: object) -> dict[str, Any]:
    """Return the parsed file in which one key has that value."""
    for part in reversed(key.split(".")):
        value = {part: value}
    assert isinstance(value, dict)
    return value


@pytest.mark.parametrize(("key", "value", "expected"), WRONG_VALUES)
def test_wrong_value_named(key: str, value: object, expected: str) -> None:
    """A refusal states the key, the value with its unit, and the allowed range."""
    message = refused(table_of(key, value))
    assert f"{key} {expected}" in message
    assert not re.search(r"[\^$\\{}]|\[0-9", message), "no regular expression"


def test_long_value_cut_short() -> None:
    message = refused({"logbook": {"when_full": "x" * 1000}})
    assert "xxx..." in message
    assert len(message) < 250


@pytest.mark.parametrize("key", ["max_voltage_v", "off_voltage_v"])
def test_voltage_limits_stay_measurable(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The chosen sensor bounds a limit, even if another sensor measures more.

    The bus range of an INA219 ends at 16 V. Source: TI SBOS448, section 7.5, BRNG = 0.
    """
    parse_settings({"limits": {key: 15.9}})
    assert key in refused({"limits": {key: 15.91}})
    monkeypatch.setitem(SENSORS, "ina219", replace(INA219, bus_range_v=9.0))
    parse_settings({"limits": {key: 8.9}})
    message = refused({"limits": {key: 8.91}})
    assert f"limits.{key} is 8.91 V; it must be at most 8.9 V" in message
    assert "because the INA219 measures up to 9 V" in message


def test_wrong_sensor_named_alone() -> None:
    """An unknown sensor is reported alone: the limits depend on it."""
    message = refused({"rig": {"sensor": "ina999"}, "limits": {"max_voltage_v": 15.0}})
    assert message.splitlines()[1:] == ["  The sensor 'ina999' is not known. Choose one of ina219."]


def test_own_zero_offset_limit() -> None:
    """The user's limit replaces that of the data sheet."""
    settings = parse_settings({"limits": {"max_zero_offset_v": 160e-6}})
    assert settings.max_zero_offset_a == pytest.approx(0.008)


UNKNOWN = [
    (
        "limits.max_voltage",
        "limits.max_voltage is not a setting. Did you mean limits.max_voltage_v?",
    ),
    ("rig.shunt_ohms", "rig.shunt_ohms is not a setting. Did you mean rig.shunt_ohm?"),
    ("rig.over_current_fractio", "Did you mean limits.over_current_fraction?"),
    ("server.poll_s", "server.poll_s is not a setting. Did you mean loop.poll_s?"),
    ("relay_pin", "relay_pin is not a setting. Did you mean rig.relay_pin?"),
    ("logbook.qqq", "logbook.qqq is not a setting. Remove it"),
    ("metals.copper.density", "metals.copper.density is not a setting. Remove it"),
    ("metals.copper.etch_facto", "Did you mean metals.copper.etch_factor?"),
    ("metals.fine-silvr.etch_factor", "'fine-silvr' is not known. Did you mean fine-silver?"),
    ("metals.gold.etch_factor", "'gold' is not known. Choose one of fine-silver"),
]


@pytest.mark.parametrize(("key", "expected"), UNKNOWN)
def test_nearest_key_offered(key: str, expected: str) -> None:
    """The message on a mistyped key offers the nearest one, whatever its table."""
    assert expected in refused(table_of(key, 1.0))


def test_nearest_table_offered() -> None:
    table = {"max_voltage_v": 6.0}
    assert "[limit] is not a table" in refused({"limit": table})
    assert "Did you mean [limits]?" in refused({"limit": table})
    assert "The tables are rig, cell, limits" in refused({"zzz": table})


@pytest.mark.parametrize("name", list(sections()))
def test_unknown_keys_in_every_table(name: str) -> None:
    assert f"{name}.max_volt is not a setting" in refused({name: {"max_volt": 6.0}})


def test_all_problems_at_once() -> None:
    message = refused({"limits": {"max_voltage_v": 99.0, "typo": 1}, "server": {"port": 1}})
    assert len(message.splitlines()) == 4, "a heading and one line each"


def test_contradicting_keys_refused() -> None:
    parse_settings({"limits": {"bath_warn_degc": 44.9, "bath_off_degc": 45.0}})
    message = refused({"limits": {"bath_warn_degc": 45.0, "bath_off_degc": 45.0}})
    assert "limits.bath_warn_degc is 45 °C; it must be below limits.bath_off_degc" in message
    message = refused({"limits": {"voltage_warn_fraction": 0.5}})
    assert "limits.voltage_warn_fraction is 0.5; it must be below" in message
    parse_settings({"limits": {"lost_contact_fraction": 0.59}})
    message = refused({"limits": {"lost_contact_fraction": 0.6}})
    assert "limits.lost_contact_fraction is 0.6; it must be below" in message
    assert "limits.weak_contact_fraction, 0.6" in message


def test_every_contradiction_named() -> None:
    """Not only the first one of a table."""
    message = refused(
        {
            "rig": {"lamp_pin": "GPIO17", "buzzer_pin": "GPIO17"},
            "limits": {
                "bath_warn_degc": 45.0,
                "voltage_warn_fraction": 0.5,
                "lost_contact_fraction": 0.6,
            },
            "metals": {"copperr": {}, "unobtainium": {}},
        }
    )
    for word in (
        "rig.relay_pin and rig.lamp_pin", "rig.relay_pin and rig.buzzer_pin", "bath_warn_degc",
        "voltage_warn_fraction", "weak_contact_fraction", "'copperr'", "'unobtainium'",
    ):  # fmt: skip
        assert word in message
    assert len(message.splitlines()) == 8, "a heading and one line each"


def test_settings_are_frozen() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        Settings().limits.max_voltage_v = 99.0


def test_zero_disables_no_limit() -> None:
    """0 never means unlimited: each limit but the grace and the bath warning refuses it."""
    for name in sections()["limits"].model_fields:
        if name not in ("contact_grace_s", "bath_warn_degc", "bath_off_degc"):
            refused({"limits": {name: 0}})
        refused({"limits": {name: -1}})
        if (
            name != "max_zero_offset_v"
        ):  # there None is the data sheet's limit, see max_zero_offset_a
            refused({"limits": {name: None}})


def test_every_key_is_described() -> None:
    for name, section in sections().items():
        for key, field in section.model_fields.items():
            assert field.description or name in ("server", "logbook"), f"{name}.{key}"


# --- weaker limits ------------------------------------------------------------------------------

WEAKENED: dict[str, float] = {
    "max_voltage_v": 15.0, "over_current_fraction": 3.0, "short_circuit_v": 1e-9,
    "short_circuit_fraction": 0.9, "reverse_current_a": 1.0, "lost_contact_fraction": 0.01,
    "lost_contact_s": 30.0, "weak_contact_fraction": 0.2, "weak_contact_s": 120.0,
    "contact_grace_s": 120.0, "max_sample_age_s": 5.0, "max_zero_offset_v": 1e-3,
    "off_voltage_v": 15.9, "welded_after_s": 5.0, "welded_a": 0.5, "over_time_fraction": 5.0,
    "depth_of_thickness_fraction": 0.9, "edge_depth_factor": 1.0, "trend_blind_s": 600.0,
    "trend_patience_s": 600.0, "leak_step_fraction": 1.0, "leak_drift_fraction": 1.0,
    "resistance_rise_fraction": 2.0, "voltage_warn_fraction": 0.45, "voltage_trip_fraction": 2.0,
    "bath_warn_degc": 44.0, "bath_off_degc": 90.0, "max_run_s": 172800.0, "min_run_s": 1.0,
}  # fmt: skip
"""A value of each limit with which a fault ends later, or not at all. By the descriptions."""

STRICTER: dict[str, float] = {
    "max_voltage_v": 5.0, "short_circuit_v": 0.5, "lost_contact_fraction": 0.2,
    "weak_contact_fraction": 0.8, "edge_depth_factor": 2.0, "min_run_s": 60.0,
    "max_sample_age_s": 0.5, "max_zero_offset_v": 1e-4, "max_run_s": 3600.0,
}  # fmt: skip


@pytest.mark.parametrize("key", WEAKENED)
def test_weaker_limit_listed(key: str) -> None:
    (found,) = weaker_limits(parse_settings({"limits": {key: WEAKENED[key]}}))
    assert found.values["key_name"] == f"limits.{key}"
    assert "; the default, " in str(found)


@pytest.mark.parametrize("key", STRICTER)
def test_stricter_limit_is_not_listed(key: str) -> None:
    assert weaker_limits(parse_settings({"limits": {key: STRICTER[key]}})) == ()


def test_weaker_with_both_values() -> None:
    """The zero offset compares with the data sheet: 200 uV at /8, TI SBOS448, section 7.5."""
    assert weaker_limits(Settings()) == ()
    limits = {"max_sample_age_s": 5, "max_zero_offset_v": 1e-3}
    assert [str(it) for it in weaker_limits(parse_settings({"limits": limits}))] == [
        "limits.max_sample_age_s is 5 s; the default, 1 s, is safer.",
        "limits.max_zero_offset_v is 0.001 V; the default, 0.0002 V, is safer.",
    ]


def test_direction_of_known_limits() -> None:
    """The list of those that are weaker when lower names limits that exist."""
    assert set(type(Settings().limits).model_fields) >= LOWER_IS_WEAKER


# --- the file -----------------------------------------------------------------------------------


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


def test_invalid_toml_names_the_line(tmp_path: Path) -> None:
    path = write(tmp_path, "[rig]\nrelay_pin = GPIO22\n")
    with pytest.raises(RefusedError, match=r"biteclock\.toml is not valid TOML: .*line 2"):
        load_settings(path)


def test_binary_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="is not valid TOML"):
        load_settings(write(tmp_path, b"\xff\xfe\x00["))


def test_repeated_key_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="is not valid TOML"):
        load_settings(write(tmp_path, "[limits]\nmax_voltage_v = 5.0\nmax_voltage_v = 6.0\n"))


def test_missing_file_names_the_path(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"none\.toml cannot be read: No such file"):
        load_settings(tmp_path / "none.toml")
    with pytest.raises(RefusedError, match="cannot be read"):
        load_settings(tmp_path)


# --- hazards ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "table",
    [
        {"rig": {"shunt_ohm": True}},
        {"rig": {"i2c_bus": True}},
        {"limits": {"max_voltage_v": "6"}},
        {"server": {"port": "8420"}},
    ],
)
def test_numbers_must_be_numbers(table: dict[str, Any]) -> None:
    refused(table)


def test_pins_must_differ() -> None:
    message = refused({"rig": {"relay_pin": "GPIO17", "stop_button_pin": "GPIO17"}})
    assert "rig.relay_pin and rig.stop_button_pin are both GPIO17" in message


@pytest.mark.parametrize("pin", ["GPIO2", "GPIO3", "GPIO8"])
@pytest.mark.parametrize("key", ["relay_pin", "second_output_pin"])
def test_output_pins_boot_low(key: str, pin: str) -> None:
    """An output that switches the supply needs a pin that is low while the Pi boots."""
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
def test_limits_have_upper_bounds(key: str) -> None:
    """No limit can be set so high that it never acts."""
    refused({"limits": {key: 1e9}})


@pytest.mark.parametrize("name", ["the big bath", "Ätzbank 2", "x" * 40])
def test_bench_name(name: str) -> None:
    assert parse_settings({"server": {"name": name}}).server.name == name


@pytest.mark.parametrize(
    "name",
    ["", "   ", "x" * 41, "a\nb", "a\x1b[2Jb", "a\u202eb", "a\u200bb", "a\u2028b", "a\u2066b"],
)
def test_unseen_name_is_refused(name: str) -> None:
    """A name that nobody can see, or that turns the text around it, names nothing."""
    with pytest.raises(RefusedError, match=r"server\.name"):
        parse_settings({"server": {"name": name}})
