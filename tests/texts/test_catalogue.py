"""The catalogue: keys and values become sentences, and a mistake in it stops nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import RefusedError, SensorError
from controller.texts import Catalogue, Message

TEXTS = """
depth = "The depth is {depth_mm:.2f} mm."
depth_limit = "{limit_mm:.1f} mm"
share = "{share_fraction:.0%} of the sheet"
[lines]
one = "One line washes out."
many = "{count} lines wash out."
[nested]
why = "Stopped: {what}"
"""


@pytest.fixture
def catalogue(tmp_path: Path) -> Catalogue:
    """A catalogue of one file."""
    (tmp_path / "plan.toml").write_text(TEXTS, encoding="utf-8")
    return Catalogue(tmp_path)


def test_values_filled_in(catalogue: Catalogue) -> None:
    assert catalogue.sentence("plan.depth", {"depth_mm": 0.2512}) == "The depth is 0.25 mm."


@pytest.mark.parametrize(
    ("count", "expected"),
    [(0, "0 lines wash out."), (1, "One line washes out."), (2, "2 lines wash out.")],
)
def test_one_or_many(catalogue: Catalogue, count: int, expected: str) -> None:
    assert catalogue.sentence("plan.lines", {"count": count}) == expected


def test_space_before_per_cent(catalogue: Catalogue) -> None:
    assert catalogue.sentence("plan.share", {"share_fraction": 0.5}) == "50 % of the sheet"


def test_message_in_message(catalogue: Catalogue) -> None:
    what = Message("no.such.key")
    assert catalogue.sentence("plan.nested.why", {"what": what}) == "Stopped: no.such.key"


@pytest.mark.parametrize(
    ("key", "values", "expected"),
    [
        ("plan.width", {"width_mm": 0.1}, "plan.width, width_mm 0.1"),
        ("plan.depth", {}, "plan.depth"),
        ("plan.depth", {"depth_mm": "deep"}, "plan.depth, depth_mm deep"),
        ("elsewhere.depth", {"depth_mm": 1.0}, "elsewhere.depth, depth_mm 1.0"),
    ],
)
def test_mistake_never_raises(
    catalogue: Catalogue, key: str, values: dict[str, float | str], expected: str
) -> None:
    """Without a sentence, the text is the key and its values."""
    assert catalogue.sentence(key, values) == expected


def test_loaded_catalogue_needs_no_disk(catalogue: Catalogue, tmp_path: Path) -> None:
    assert catalogue.load()["plan.lines.one"] == "One line washes out."
    (tmp_path / "plan.toml").unlink()
    assert catalogue.sentence("plan.depth", {"depth_mm": 1.0}) == "The depth is 1.00 mm."


def test_message_survives_json() -> None:
    message = Message("a.b", {"what": Message("c.d", {"depth_mm": 0.25}), "name": "fern"})
    assert Message.from_json(message.to_json()) == message


def test_error_is_a_message() -> None:
    error = RefusedError("a.b", field="depth_mm", limit="1 mm", depth_mm=2.0)
    assert error.message == Message("a.b", {"depth_mm": 2.0})
    assert (error.field, error.limit, str(error)) == ("depth_mm", "1 mm", "a.b, depth_mm 2.0")
    assert str(SensorError("a.b", tries=2)) == "a.b, tries 2"


def test_sentence_is_no_file(catalogue: Catalogue, tmp_path: Path) -> None:
    """A stored sentence as a key stays what it is, and nothing is looked up on the disk."""
    (tmp_path / "The plate is out.toml").write_text('x = "never read"', encoding="utf-8")
    assert catalogue.sentence("The plate is out.x", {}) == "The plate is out.x"
    catalogue.load()
    (tmp_path / "late.toml").write_text('x = "too late"', encoding="utf-8")
    assert catalogue.sentence("late.x", {}) == "late.x"
