"""What all models share: strict input, a unit and an example for every field."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

NO_UNIT = "no unit"

_UNIT_OF_SUFFIX = (
    ("_g_per_cm3", "g/cm3"),
    ("_g_per_mol", "g/mol"),
    ("_a_per_dm2", "A/dm2"),
    ("_um_per_min", "um/min"),
    ("mm3_per_coulomb", "mm3/C"),
    ("_coulombs", "C"),
    ("_mm3", "mm3"),
    ("_mm2", "mm2"),
    ("_mm", "mm"),
    ("_degc", "degC"),
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

PLAIN_TEXT = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]*$"
"""Text without control characters, line separators and marks that change the direction of writing.

Unicode categories Cc, Zl and Zp, and the bidirectional formatting characters of UAX 9.
"""

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
