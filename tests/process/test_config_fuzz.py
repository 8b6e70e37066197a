"""Configuration files of any kind: settings or a refusal that a person can read, never anything else."""

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

SECTIONS = ("rig", "limits", "loop", "server", "logbook", "metals")
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
def test_any_table_gives_settings_or_a_refusal(table: dict[str, Any]) -> None:
    settings_or_refusal(lambda: parse_settings(table))


@BOUNDED
@given(st.binary(max_size=300))
def test_any_bytes_give_settings_or_a_refusal(tmp_path: Path, content: bytes) -> None:
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
def test_anything_that_looks_like_toml_gives_settings_or_a_refusal(
    tmp_path: Path, text: str
) -> None:
    read(tmp_path / "any.toml", text.encode())


def test_a_file_of_the_sample_with_one_byte_changed_gives_settings_or_a_refusal(
    tmp_path: Path,
) -> None:
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
def test_what_is_no_file_of_text_is_refused_or_empty(name: str, found: Settings | None) -> None:
    assert settings_or_refusal(lambda: load_settings(Path(name))) == found
