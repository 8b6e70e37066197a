"""What all models share: strict input, a unit and an example for every field."""

from __future__ import annotations

import re
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

NO_UNIT = "no unit"

_UNIT_OF_SUFFIX = (
    ("_g_per_cm3", "g/cm3"),
    ("_g_per_mol", "g/mol"),
    ("_a_per_dm2", "A/dm2"),
    ("_um_per_min", "um/min"),
    ("_mol_per_l", "mol/L"),
    ("mm3_per_coulomb", "mm3/C"),
    ("_coulombs", "C"),
    ("_mm3", "mm3"),
    ("_mm2", "mm2"),
    ("_mm", "mm"),
    ("_degc", "degC"),
    ("degrees", "degrees"),
    ("_ohm", "ohm"),
    ("_hz", "Hz"),
    ("_ah", "Ah"),
    ("_px", "px"),
    ("dpi", "dpi"),
    ("_a", "A"),
    ("_v", "V"),
    ("_s", "s"),
    ("_g", "g"),
    ("_j", "J"),
    ("_w", "W"),
    ("_k", "K"),
    ("_l", "L"),
)

_UNSEEN = (
    (0x0000, 0x001F), (0x007F, 0x009F),  # control characters
    (0x00AD, 0x00AD),  # soft hyphen
    (0x061C, 0x061C), (0x200E, 0x200F), (0x202A, 0x202E), (0x2066, 0x206F),  # direction
    (0x115F, 0x1160), (0x3164, 0x3164), (0xFFA0, 0xFFA0),  # fillers
    (0x180E, 0x180E), (0x200B, 0x200D), (0x2060, 0x2065), (0xFEFF, 0xFEFF),  # no width
    (0x2028, 0x2029),  # line and paragraph
    (0xFFF9, 0xFFFB), (0x13430, 0x1343F), (0x1BCA0, 0x1BCA3), (0x1D173, 0x1D17A),  # layout
    (0xE0000, 0xE0FFF),  # tags
)  # fmt: skip
"""Invisible code points. With them two names look alike, or one reads as another.

Unicode categories Cc, Zl, Zp and Cf, and the Hangul fillers. Signs of category Cf that are seen,
the number signs of Arabic, Syriac and Kaithi, are not here. The joiners U+200C and U+200D are,
although some words of Persian and some emoji are written with them: a space or another picture
does as well.

Source: UAX 9, UAX 44, UTS 39.
"""


def _written(point: int) -> str:
    """Return a code point for a pattern that Python, Rust and JavaScript read alike."""
    return f"\\u{point:04x}" if point <= 0xFFFF else chr(point)


_UNSEEN_CLASS = "".join(f"{_written(first)}-{_written(last)}" for first, last in _UNSEEN)

PLAIN_TEXT = f"^[^{_UNSEEN_CLASS}]*$"
"""Text without invisible characters."""

_UNSEEN_PATTERN = re.compile(f"[{_UNSEEN_CLASS}]")


def without_unseen(value: Any) -> Any:
    """Return a text without invisible characters, and other values as they are."""
    return _UNSEEN_PATTERN.sub("", value) if isinstance(value, str) else value


NAME = r"^[a-z0-9-]+$"

HASH = r"^[0-9a-f]{64}$"

PIN = r"^ *[0-9](?: *[0-9]){5} *$"

DAY = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"

PATTERNS = {PIN: "pin", HASH: "hash", PLAIN_TEXT: "plain_text", NAME: "name", DAY: "day"}
"""Pattern -> its key under ``http.pattern`` in the catalogue, for a text that does not match."""


def unit_of(name: str) -> str | None:
    """Return the unit that a field's name carries, or None when it carries none."""
    return next((unit for suffix, unit in _UNIT_OF_SUFFIX if name.endswith(suffix)), None)


def described(text: str, unit: str, example: Any, **rules: Any) -> Any:
    """Return a field's description with its unit, its example and its bounds.

    :param unit: as in ``unit_of``, or NO_UNIT.
    :param rules: pydantic's own (gt, ge, lt, le, max_length, pattern ...).
    """
    unit_sentence = "No unit." if unit == NO_UNIT else f"Unit: {unit}."
    return Field(description=f"{text} {unit_sentence}", examples=[example], **rules)


said = described
"""The same, for the models of runs, which still use this name."""


def number(text: str, unit: str, example: float, **rules: Any) -> Any:
    """Return ``described`` for a finite number in a request. Text, true and false are refused."""
    return described(text, unit, example, strict=True, allow_inf_nan=False, **rules)


class RequestModel(BaseModel):
    """Body or query of a request. Unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Answer(BaseModel):
    """Body of a response. A value that is not known is null."""

    model_config = ConfigDict(frozen=True, extra="forbid", from_attributes=True)


def example_of(model: type[BaseModel]) -> dict[str, Any]:
    """Return an example of a model, made of the examples of its fields."""
    return {name: field.examples[0] for name, field in model.model_fields.items() if field.examples}
