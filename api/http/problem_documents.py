"""The problems of each route in the OpenAPI document."""

from __future__ import annotations

from typing import Any

from api.http.problem_kinds import FAULT, Kind
from api.http.problems import MEDIA_TYPE


def problem_responses(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI responses for these kinds and for a fault.

    Kinds with the same status share an entry.
    """
    responses: dict[int | str, dict[str, Any]] = {}
    add_problem_responses(responses, *kinds, FAULT)
    return responses


def add_problem_responses(
    responses: dict[Any, dict[str, Any]], *kinds: Kind, key: type[int] | type[str] = int
) -> None:
    """Add these kinds to OpenAPI responses. ``key`` is str in a finished document."""
    for kind in kinds:
        entry = responses.setdefault(key(kind.status), {"description": ""})
        problem = entry.setdefault("content", {}).setdefault(
            MEDIA_TYPE, {"schema": {"$ref": "#/components/schemas/Problem"}, "examples": {}}
        )
        entry["description"] = ". ".join(filter(None, (entry["description"], kind.title)))
        problem["examples"][kind.slug] = {
            "value": {
                "type": f"/problems/{kind.slug}",
                "title": kind.title,
                "status": kind.status,
                "detail": "What happened and what to do.",
                "instance": "/api/status",
            }
        }
