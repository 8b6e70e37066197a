"""The sample configuration names every key with its default and a reason.

The wiring page has the same pins as the Pi.
"""

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
"""The one key that the sample sets, so that a phone reaches the bench.

The demonstration and a trial listen on the machine itself only.
"""
TABLE = re.compile(r"^(?:# )?\[([a-z]+)(?:\.[a-z0-9-]+)?\]$")


def keys_of(text: str) -> dict[tuple[str, str], tuple[object, bool, str]]:
    """Return (table, key) -> (value shown, is "default: none", reason above) for commented keys."""
    found: dict[tuple[str, str], tuple[object, bool, str]] = {}
    table, reason = "", ""
    for line in text.splitlines():
        if heading := TABLE.match(line):
            table, reason = heading[1], ""
        elif key := KEY.match(line):
            assert (table, key[1]) not in found, f"{key[1]} is there twice"
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


def test_sample_names_every_key():
    """The sample names every key with its default and a reason."""
    assert differences(SAMPLE.read_text()) == []


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("# poll_s = 0.02\n", "", "loop.poll_s is missing"),
        (
            "# max_voltage_v = 6.0", "# max_voltage_v = 6.5",
            "limits.max_voltage_v is shown as 6.5, the default is 6.0",
        ),
        (
            "# lamp_pin = \"GPIO23\"  # default: none", "# lamp_pin = \"GPIO23\"",
            "rig.lamp_pin is shown as",
        ),
        ("# port = 8420", "# ports = 8420", "server.ports does not exist"),
        ("# Port of page and API.\n", "", "server.port has no reason"),
        ("# etch_factor = 1.2  # default: none\n", "", "metals.etch_factor is missing"),
    ],
)  # fmt: skip
def test_comparison_sees_mistakes(old, new, complaint):
    """The comparison sees a missing, a wrong and an unknown key."""
    text = SAMPLE.read_text()
    assert old in text
    assert any(found.startswith(complaint) for found in differences(text.replace(old, new)))


def test_shipped_sample_gives_defaults():
    """The shipped sample gives the defaults and opens the bench to the studio's network."""
    given = parse_settings({"server": {"listen": "studio-network"}})
    assert load_settings(SAMPLE) == given
    text = SAMPLE.read_text()
    assert text.count("\n" + SET) == 1
    assert parse_settings(tomllib.loads(text.replace("\n" + SET, "\n"))) == Settings()


def test_all_examples_load():
    """All examples can be uncommented together."""
    lines = SAMPLE.read_text().replace("\n" + SET, "\n").splitlines()
    text = "\n".join(
        line.removeprefix("# ") if KEY.match(line) or TABLE.match(line) else line for line in lines
    )
    settings = parse_settings(tomllib.loads(text))
    assert settings.rig.dead_man_pin == "GPIO25"
    assert settings.metals["sterling-silver"].etch_factor == 1.2


def test_wiring_page_places_pins():
    """The wiring page gives every pin its place on the header.

    Places: gpiozero's table of the 40-pin header. Pins: the sample.
    """
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
