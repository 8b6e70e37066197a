"""Configuration files of any kind give settings or a readable refusal, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from controller.config import Settings, load_settings, parse_settings
from controller.errors import RefusedError
from tests.paths import ROOT

BOUNDED = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

SECTIONS = ("rig", "limits", "loop", "server", "logbook", "artwork", "metals")
KEYS = [key for section in SECTIONS[:5] for key in type(getattr(Settings(), section)).model_fields]

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=40)
    | st.sampled_from(
        [
            "GPIO17",
            "GPIO0",
            "studio-network",
            "trip",
            "28-000000000000",
            "\x00",
            "../../etc/passwd",
            "fine-silver",
        ]
    )
)
names = st.text(max_size=8)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3)
)
tables = st.dictionaries(
    st.sampled_from(SECTIONS) | st.text(max_size=8),
    st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), values, max_size=5) | values,
    max_size=4,
)


def settings_or_refusal(load: Callable[[], Settings]) -> Settings | None:
    """Return the settings, or None for a refusal. Raises: everything else."""
    try:
        return load()
    except RefusedError:
        return None


def read(file: Path, content: bytes) -> Settings | None:
    file.write_bytes(content)
    return settings_or_refusal(lambda: load_settings(file))


@BOUNDED
@given(tables)
def test_any_table(table: dict[str, Any]) -> None:
    """Any table gives settings or a refusal."""
    settings_or_refusal(lambda: parse_settings(table))


@BOUNDED
@given(st.binary(max_size=300))
def test_any_bytes(tmp_path: Path, content: bytes) -> None:
    """Any bytes give settings or a refusal."""
    read(tmp_path / "any.toml", content)


words = st.sampled_from(
    (
        *(
            "[rig]",
            "[limits]",
            "[[metals]]",
            "[metals.fine-silver]",
            "relay_pin",
            "max_voltage_v",
            "=",
            '"GPIO17"',
            "6.0",
            "inf",
        ),
        *(
            "nan",
            "1979-05-27",
            "25:00:00",
            "0x",
            "1e999",
            "[",
            "]",
            "{",
            "}",
            ",",
            ".",
            "'",
            "#",
            "true",
            "_",
            "\\",
            "\\u0000",
        ),
        *("\n", " ", '"', '"' * 3),
    )
)


@BOUNDED
@given(st.lists(words, max_size=40).map("".join))
@example("a = " + "[" * 5000)
@example("a = " + "{b=" * 5000)
@example("a = " + "9" * 5000)
@example("a" + ".a" * 5000 + " = 1")
@example("a = 0000-00-00")
@example("a = 2000-01-01T00:00:00+99:99")
@example('[logbook]\npath = "a\\u0000b"')
def test_toml_like_text(tmp_path: Path, text: str) -> None:
    """Text that resembles TOML gives settings or a refusal."""
    read(tmp_path / "any.toml", text.encode())


def test_damaged_sample_file(
    tmp_path: Path,
) -> None:
    """The sample with one byte changed gives settings or a refusal."""
    sample = (ROOT / "systemd" / "biteclock.toml").read_bytes()
    outcomes = set()
    for place in range(0, len(sample), 29):
        for byte in (0, 10, 34, 61, 91, 255):
            outcomes.add(
                read(tmp_path / "any.toml", sample[:place] + bytes([byte]) + sample[place + 1 :])
                is None
            )
    assert outcomes == {True, False}


@pytest.mark.parametrize(
    ("name", "found"), [("/proc/self/mem", None), ("/dev/null", Settings()), (".", None)]
)
def test_path_without_text_file(name: str, found: Settings | None) -> None:
    """A path that is not a text file is refused, or gives the defaults."""
    assert settings_or_refusal(lambda: load_settings(Path(name))) == found
