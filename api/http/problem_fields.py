"""Words for a value that cannot be used: the value, its limit with the unit, what to do. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from api.http.models.base import PATTERNS, unit_of
from api.http.models.problem import FieldProblem
from controller.errors import BiteclockError
from controller.texts import Message, Value, text, text_or_none

LONGEST_ECHO = 40
"""Characters of a refused value that are repeated to the sender."""

_VARIANTS = frozenset({"gauge", "weighing"})
"""Names that pydantic adds to a path for the variants of a body. No field has them."""

_JSON_KINDS = {"dict": "object", "list": "list", "bytes": "bytes"}


def field_problem(error: Mapping[str, Any]) -> FieldProblem:
    """Return the problem in one of pydantic's errors, whose ``loc`` begins with the place."""
    place, *path = (str(part) for part in error["loc"])
    field = ".".join(part for part in path if part not in _VARIANTS) or place
    kind, context = error["type"], dict(error.get("ctx", {}))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        field = context["discriminator"].strip("'")
    limit = _limit(kind, context, unit_of(field))
    if limit is None:
        return FieldProblem.of(field, _without_limit(field, kind, error), None, place)
    given = context["tag"] if kind == "union_tag_invalid" else error.get("input")
    message = text(
        "http.field.bad_value", field=field, given=_echo(given, unit_of(field)), limit=limit
    )
    return FieldProblem.of(field, message, limit, place)


def _without_limit(field: str, kind: str, error: Mapping[str, Any]) -> str:
    """Return the sentence for an error that has no limit."""
    if kind in ("missing", "union_tag_not_found"):
        unit = unit_of(field)
        if unit is None:
            return text("http.field.missing", field=field)
        return text("http.field.missing_unit", field=field, unit=unit)
    if kind == "extra_forbidden":
        return text("http.field.unknown", field=field)
    raised = error.get("ctx", {}).get("error")
    if isinstance(raised, BiteclockError):
        return str(raised)
    return text("http.field.other", field=field, checker_message=error["msg"])


def _limit(kind: str, context: dict[str, Any], unit: str | None) -> str | None:
    """Return the limit in words, or None for a kind of error that has none."""
    values: dict[str, Value] = {
        **context,
        "pattern_meaning": Message(
            f"http.pattern.{PATTERNS.get(context.get('pattern', ''), 'other')}"
        ),
    }
    key = f"http.limit.{kind}"
    if unit is not None:
        with_unit = text_or_none(f"{key}.unit", **values, unit=unit)
        if with_unit is not None:
            return with_unit
    return text_or_none(f"{key}.plain", **values) or text_or_none(key, **values)


def _echo(value: Any, unit: str | None) -> Message | str:
    """Return a refused value for the message: short, and only its kind when it is not a scalar."""
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    if isinstance(value, int | float):
        try:
            number = float(value)
        except OverflowError:
            return Message("http.given.huge_number")
        if unit is None:
            return Message("http.given.number", {"number": number})
        return Message("http.given.number_unit", {"number": number, "unit": unit})
    if isinstance(value, str):
        short = value if len(value) <= LONGEST_ECHO else value[:LONGEST_ECHO] + "..."
        return ascii(short)
    return Message(f"http.given.{_JSON_KINDS.get(type(value).__name__, 'other')}")
