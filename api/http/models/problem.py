"""Problem details as the API sends them (RFC 9457)."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described, unit_of


class FieldProblem(Answer):
    """One value that cannot be used."""

    field: Annotated[str, described("Name of the value, units included.", NO_UNIT, "depth_mm")]
    message: Annotated[
        str,
        described(
            "What is wrong and what to do.",
            NO_UNIT,
            "depth_mm is -1 mm. It must be above 0 mm.",
        ),
    ]
    limit: Annotated[str | None, described("Its limit, with its unit.", NO_UNIT, "above 0 mm")] = (
        None
    )
    unit: Annotated[str | None, described("Its unit.", NO_UNIT, "mm")] = None
    place: Annotated[str, described("Where it was sent: body, query or path.", NO_UNIT, "body")]

    @classmethod
    def of(cls, field: str, message: str, limit: str | None, place: str) -> FieldProblem:
        """Return the problem of a field; the unit is the one in its name."""
        return cls(field=field, message=message, limit=limit, unit=unit_of(field), place=place)


class Surprise(Answer):
    """The numbers of a reading far from the estimate. Confirm the reading when it is right."""

    read_depth_mm: Annotated[
        float | None, described("Mean depth by the gauge; null for a weighing.", "mm", 0.21)
    ]
    read_error_mm: Annotated[float | None, described("Standard error of it.", "mm", 0.006)]
    depth_mm: Annotated[float | None, described("Best estimate before the reading.", "mm", 0.12)]
    depth_low_mm: Annotated[
        float | None, described("Lower end of the estimate's 95 % interval.", "mm", 0.1)
    ]
    depth_high_mm: Annotated[
        float | None, described("Upper end of the estimate's 95 % interval.", "mm", 0.145)
    ]


class Problem(Answer):
    """Why a request was refused or failed (RFC 9457). Members that do not apply are left out."""

    type: Annotated[
        str, described("Kind of problem, a stable relative URI.", NO_UNIT, "/problems/bad-value")
    ]
    title: Annotated[str, described("The kind in words.", NO_UNIT, "A value cannot be used")]
    status: Annotated[int, described("HTTP status.", NO_UNIT, 422)]
    detail: Annotated[
        str,
        described(
            "What is wrong here and what to do.",
            NO_UNIT,
            "depth_mm is -1 mm. It must be above 0 mm.",
        ),
    ]
    instance: Annotated[str, described("Path of the request.", NO_UNIT, "/api/plan")]
    field: Annotated[
        str | None, described("The first value that cannot be used.", NO_UNIT, "depth_mm")
    ] = None
    limit: Annotated[str | None, described("Its limit, with its unit.", NO_UNIT, "above 0 mm")] = (
        None
    )
    unit: Annotated[str | None, described("Its unit.", NO_UNIT, "mm")] = None
    part: Annotated[
        str | None, described("The part of the controller that does not work.", NO_UNIT, "loop")
    ] = None
    retry_after_s: Annotated[int | None, described("When to try again.", "s", 16)] = None
    surprise: Annotated[
        Surprise | None,
        described(
            "What was read and what was expected.",
            NO_UNIT,
            {
                "read_depth_mm": 0.21,
                "read_error_mm": 0.006,
                "depth_mm": 0.12,
                "depth_low_mm": 0.1,
                "depth_high_mm": 0.145,
            },
        ),
    ] = None
    errors: Annotated[
        tuple[FieldProblem, ...] | None,
        described(
            "All values that cannot be used.",
            NO_UNIT,
            [
                {
                    "field": "depth_mm",
                    "message": "depth_mm is -1 mm. It must be above 0 mm.",
                    "limit": "above 0 mm",
                    "unit": "mm",
                    "place": "body",
                }
            ],
        ),
    ] = None
