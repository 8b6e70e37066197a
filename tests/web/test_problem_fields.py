"""A refusal names the value, its limit and its unit."""

from __future__ import annotations

import math
from typing import Any, get_args

import pytest
from pydantic import TypeAdapter, ValidationError
from pydantic_core.core_schema import ErrorType

from api.http.models.commands import CeilingsBody
from api.http.models.plan_request import PlanRequestBody
from api.http.models.problem import FieldProblem
from api.http.models.reading_request import ReadingBody
from api.http.problem_fields import field_problem
from controller.texts import CATALOGUE, text
from tests.kits.api_client import SILVER


def problem_of(name: str, value: object) -> FieldProblem:
    with pytest.raises(ValidationError) as caught:
        PlanRequestBody.model_validate({**SILVER, name: value})
    error = caught.value.errors()[0]
    return field_problem({**error, "loc": ("body", *error["loc"])})


@pytest.mark.parametrize(
    ("name", "value", "limit", "unit", "echo"),
    [
        ("depth_mm", -1, "at least 0.0001 mm", "mm", "-1 mm"),
        ("depth_mm", 11.0, "at most 10 mm", "mm", "11 mm"),
        ("depth_mm", math.nan, "a finite number in mm", "mm", "nan mm"),
        ("depth_mm", "0.25", "a number in mm", "mm", "'0.25'"),
        ("film_mm", None, "a number in mm", "mm", "null"),
        ("depth_mm", True, "a number in mm", "mm", "true"),
        ("current_a", 0.0, "at least 0.001 A", "A", "0 A"),
        ("area_uncertainty_fraction", 0.5, "below 0.5", None, "0.5"),
        ("pieces", 1.5, "a whole number", None, "1.5"),
        ("pieces", 501, "at most 500", None, "501"),
        (
            "piece",
            "a\tb",
            "text without line breaks or invisible characters",
            None,
            "'a\\tb'",
        ),
        ("piece", "x" * 81, "at most 80 characters", None, "'" + "x" * 40 + "...'"),
        ("piece", 5, "text", None, "5"),
        ("metal", "Silver", "lower-case letters, digits and hyphens", None, "'Silver'"),
        ("supply_mode", "both", "'constant-current' or 'constant-voltage'", None, "'both'"),
        ("growth_mm2", 5, "a list", "mm2", "5 mm2"),
        ("growth_mm2", [[0, 1]], "at least 2 entries", "mm2", "a list"),
        ("gauge_stops_mm", [0.01] * 11, "at most 10 entries", "mm", "a list"),
        ("artwork", "abc", "64 digits 0 to 9 and a to f", None, "'abc'"),
        ("stop_policy", "guess", "'best-estimate' or 'never-deeper'", None, "'guess'"),
    ],
)
def test_value_limit_unit(
    name: str, value: object, limit: str, unit: str | None, echo: str
) -> None:
    """A message has the value and the limit with their unit."""
    problem = problem_of(name, value)
    assert problem == FieldProblem(
        field=name,
        message=f"{name} is {echo}. It must be {limit}.",
        limit=limit,
        unit=unit,
        place="body",
    )


def test_missing_and_unknown() -> None:
    missing = field_problem(
        {"type": "missing", "loc": ("body", "area_mm2"), "msg": "", "input": {}}
    )
    assert missing.message == "area_mm2 is missing. Give it in mm2."
    slip = problem_of("depth", 0.25)
    assert (slip.field, slip.unit, slip.limit) == ("depth", None, None)
    assert "spelling" in slip.message


def test_place_in_list() -> None:
    assert problem_of("growth_mm2", [[0.0, 1.0], [0.1, -1.0]]).field == "growth_mm2.1.1"


@pytest.mark.parametrize(
    ("body", "field", "message"),
    [
        (
            {"kind": "gauge", "spots_mm": [0.1, -1]},
            "spots_mm.1",
            "spots_mm.1 is -1. It must be above 0.",
        ),
        ({"kind": "gauge"}, "spots_mm", "spots_mm is missing. Give it in mm."),
        ({"kind": "smell"}, "kind", "kind is 'smell'. It must be 'gauge', 'weighing'."),
        ({}, "kind", "kind is missing. Give it."),
    ],
)
def test_variant_not_in_name(body: dict[str, Any], field: str, message: str) -> None:
    """A field of a variant is named without the variant."""
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(ReadingBody).validate_python(body)
    error = caught.value.errors()[0]
    problem = field_problem({**error, "loc": ("body", *error["loc"])})
    assert (problem.field, problem.message) == (field, message)


def test_unknown_error_type() -> None:
    """An error type without words keeps pydantic's message."""
    problem = field_problem(
        {
            "type": "something_new",
            "loc": ("query", "limit"),
            "msg": "Input should be otherwise",
            "input": 1,
        }
    )
    assert problem.message == "limit: Input should be otherwise"
    assert problem.place == "query"


def test_body_is_no_object() -> None:
    problem = field_problem(
        {"type": "model_attributes_type", "loc": ("body",), "msg": "", "input": [1]}
    )
    assert problem.message == "body is a list. It must be a JSON object."


def test_huge_number() -> None:
    problem = field_problem(
        {"type": "float_type", "loc": ("body", "area_mm2"), "msg": "", "input": 10**400}
    )
    assert "too large" in problem.message


def test_limits_are_known_errors() -> None:
    """Every limit in the catalogue is for an error type that pydantic has."""
    known = set(get_args(ErrorType))
    kinds = {key.split(".")[1] for key in CATALOGUE.part("http") if key.startswith("limit.")}
    assert kinds
    assert kinds <= known


def test_own_validators_speak() -> None:
    """A validator of ours raises an error with a key, and its sentence is the message."""
    with pytest.raises(ValidationError) as caught:
        CeilingsBody.model_validate({"is_confirmed": 1})
    error = caught.value.errors()[0]
    problem = field_problem({**error, "loc": ("body", *error["loc"])})
    assert problem.message == text("http.command.ceilings_unconfirmed")
    assert problem.field == "is_confirmed"
