"""One value that cannot be used, in words: what it is, its limit with the unit, what to do. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from api.http.models.base import NO_UNIT, PATTERNS_IN_WORDS, Answer, said, unit_of

LONGEST_ECHO = 40
"""Characters of a refused value that are repeated to those who sent it."""


class FieldProblem(Answer):
    """One value that cannot be used."""

    field: Annotated[str, said("Name of the value, units included.", NO_UNIT, "depth_mm")]
    message: Annotated[
        str,
        said(
            "What is wrong and what to do.",
            NO_UNIT,
            "depth_mm is -1 mm, it must be above 0 mm: correct it",
        ),
    ]
    limit: Annotated[str | None, said("Its limit, with its unit.", NO_UNIT, "above 0 mm")] = None
    unit: Annotated[str | None, said("Its unit.", NO_UNIT, "mm")] = None
    place: Annotated[str, said("Where it stands: body, query or path.", NO_UNIT, "body")]

    @classmethod
    def of(cls, field: str, message: str, limit: str | None, place: str) -> FieldProblem:
        """Return the problem of a field; the unit is the one in its name."""
        return cls(field=field, message=message, limit=limit, unit=unit_of(field), place=place)


_TAGS = frozenset({"gauge", "weighing"})
"""What pydantic puts into a path for the variants of a body, which is no part of its field's name."""

_LIMITS: Mapping[str, str] = {
    "greater_than": "above {gt:g}{unit}",
    "greater_than_equal": "at least {ge:g}{unit}",
    "less_than": "below {lt:g}{unit}",
    "less_than_equal": "at most {le:g}{unit}",
    "finite_number": "a finite number{unit_after}",
    "float_type": "a number{unit_after}",
    "int_type": "a whole number{unit_after}",
    "int_parsing": "a whole number{unit_after}",
    "int_from_float": "a whole number{unit_after}",
    "string_type": "text",
    "string_unicode": "text of valid characters",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "{words}",
    "literal_error": "{expected}",
    "enum": "{expected}",
    "too_short": "at least {min_length} entries",
    "too_long": "at most {max_length} entries",
    "tuple_type": "a list",
    "model_attributes_type": "a JSON object",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "union_tag_invalid": "{expected_tags}",
    "float_parsing": "a number{unit_after}",
    "string_too_short": "at least {min_length} characters",
}
"""Pydantic's error types in words. Types that are missing here keep pydantic's own message."""


def field_problem(error: Mapping[str, Any]) -> FieldProblem:
    """Return the problem in one of pydantic's errors, whose ``loc`` begins with the place."""
    place, *path = (str(part) for part in error["loc"])
    field = ".".join(part for part in path if part not in _TAGS) or place
    kind, context = error["type"], dict(error.get("ctx", {}))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        field = context["discriminator"].strip("'")
    unit = unit_of(field)
    if kind in ("missing", "union_tag_not_found"):
        return FieldProblem.of(field, f"{field} is missing{_in(unit)}: give it", None, place)
    if kind == "extra_forbidden":
        return FieldProblem.of(
            field,
            f"{field} is not known here: leave it out, or look for a slip in its name",
            None,
            place,
        )
    words = _LIMITS.get(kind)
    if words is None:
        return FieldProblem.of(
            field, f"{field}: {error['msg'].removeprefix('Value error, ')}", None, place
        )
    context["words"] = PATTERNS_IN_WORDS.get(context.get("pattern", ""), "text of another form")
    limit = words.format(unit=f" {unit}" if unit else "", unit_after=_in(unit), **context)
    given = context["tag"] if kind == "union_tag_invalid" else error.get("input")
    return FieldProblem.of(
        field, f"{field} is {_echo(given, unit)}, it must be {limit}: correct it", limit, place
    )


def _in(unit: str | None) -> str:
    return f" in {unit}" if unit else ""


def _echo(value: Any, unit: str | None) -> str:
    """Return a refused value for the message: bounded, and what is no plain value only by its kind."""
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    if isinstance(value, int | float):
        try:
            return f"{value:g} {unit}" if unit else f"{value:g}"
        except OverflowError:
            return "a number that is too large"
    if isinstance(value, str):
        short = value if len(value) <= LONGEST_ECHO else value[:LONGEST_ECHO] + "..."
        return ascii(short)
    return {"dict": "an object", "list": "a list", "bytes": "no JSON"}.get(
        type(value).__name__, "something else"
    )
