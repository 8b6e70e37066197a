"""The sample configuration names every key with its default and a reason, and the wiring page the same pins as the Pi."""

import re
import tomllib

import pytest
from gpiozero.pins.mock import MockFactory
from pydantic import BaseModel

from controller.config import MetalSettings, Settings, load_settings, parse_settings
from tests.paths import ROOT

SYSTEMD = ROOT / "systemd"
SAMPLE = SYSTEMD / "biteclock.toml"
KEY = re.compile(r"^# ([a-z0-9_]+) = (.+?)(  # default: none)?$")
SET = 'listen = "studio-network"\n'
"""What the sample sets: a bench without its phone is none. The demonstration and a trial keep to the machine itself."""
TABLE = re.compile(r"^(?:# )?\[([a-z]+)(?:\.[a-z0-9-]+)?\]$")


def keys_of(text: str) -> dict[tuple[str, str], tuple[object, bool, str]]:
    """Return (table, key) -> (value shown, "default: none" said, reason above it) for each commented key."""
    found: dict[tuple[str, str], tuple[object, bool, str]] = {}
    table, reason = "", ""
    for line in text.splitlines():
        if heading := TABLE.match(line):
            table, reason = heading[1], ""
        elif key := KEY.match(line):
            assert (table, key[1]) not in found, f"{key[1]} stands twice"
            found[table, key[1]] = (
                tomllib.loads(f"value = {key[2]}")["value"],
                key[3] is not None,
                reason,
            )
            reason = ""
        else:
            reason = reason + line.removeprefix("#") if line.startswith("#") else ""
    return found


def defaults() -> dict[tuple[str, str], object]:
    """Return (table, key) -> default for each key that the program takes, as TOML would hold it."""
    tables: dict[str, BaseModel] = {
        name: getattr(Settings(), name) for name in Settings.model_fields if name != "metals"
    }
    tables["metals"] = MetalSettings()
    return {
        (name, key): value
        for name, table in tables.items()
        for key, value in table.model_dump(mode="json").items()
    }


def differences(text: str) -> list[str]:
    """Return what the sample and the program's own settings disagree about."""
    shown, real = keys_of(text), defaults()
    wrong = [f"{'.'.join(key)} is missing" for key in real.keys() - shown.keys()]
    wrong += [f"{'.'.join(key)} does not exist" for key in shown.keys() - real.keys()]
    for key in real.keys() & shown.keys():
        value, none, reason = shown[key]
        if none != (real[key] is None) or (not none and value != real[key]):
            wrong.append(f"{'.'.join(key)} is shown as {value!r}, the default is {real[key]!r}")
        if len(reason.split()) < 4:
            wrong.append(f"{'.'.join(key)} has no reason")
    return wrong


def test_sample_names_every_key_with_its_default_and_a_reason():
    assert differences(SAMPLE.read_text()) == []


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("# poll_s = 0.02\n", "", "loop.poll_s is missing"),
        ("# max_voltage_v = 6.0", "# max_voltage_v = 6.5", "limits.max_voltage_v is shown as 6.5, the default is 6.0"),
        ("# lamp_pin = \"GPIO23\"  # default: none", "# lamp_pin = \"GPIO23\"", "rig.lamp_pin is shown as"),
        ("# port = 8420", "# ports = 8420", "server.ports does not exist"),
        ("# Port of page and API.\n", "", "server.port has no reason"),
        ("# etch_factor = 1.2  # default: none\n", "", "metals.etch_factor is missing"),
    ],
)  # fmt: skip
def test_the_comparison_sees_a_missing_a_wrong_and_an_unknown_key(old, new, complaint):
    text = SAMPLE.read_text()
    assert old in text
    assert any(found.startswith(complaint) for found in differences(text.replace(old, new)))


def test_sample_as_it_is_shipped_gives_the_defaults_and_opens_the_bench_to_the_studio():
    given = parse_settings({"server": {"listen": "studio-network"}})
    assert load_settings(SAMPLE) == given
    text = SAMPLE.read_text()
    assert text.count("\n" + SET) == 1
    assert parse_settings(tomllib.loads(text.replace("\n" + SET, "\n"))) == Settings()


def test_every_example_can_be_uncommented_at_once():
    lines = SAMPLE.read_text().replace("\n" + SET, "\n").splitlines()
    text = "\n".join(
        line.removeprefix("# ") if KEY.match(line) or TABLE.match(line) else line for line in lines
    )
    settings = parse_settings(tomllib.loads(text))
    assert settings.rig.dead_man_pin == "GPIO25"
    assert settings.metals["sterling-silver"].etch_factor == 1.2


def test_wiring_page_gives_every_pin_its_place_on_the_header():
    """Places from gpiozero's own table of the 40-pin header; pins as the sample has them."""
    header = MockFactory().board_info.headers["J8"].pins
    rows = re.findall(
        r"^\| ([^|]+) \| (\w+) \| (\d+) \|", (SYSTEMD / "wiring.md").read_text(), re.MULTILINE
    )
    assert {
        (pin, header[int(place)].name) for _, pin, place in rows if pin != header[int(place)].name
    } == set()
    shown = {
        key: value
        for (_, key), (value, _, _) in keys_of(SAMPLE.read_text()).items()
        if key.endswith("_pin")
    }
    assert {key: pin for key, pin in shown.items() if pin not in {row[1] for row in rows}} == {}
    assert len({pin for _, pin, _ in rows}) == len(rows) == 11
