"""Metrics for a monitoring system on the studio's network."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.http.context import AppContext
from api.http.guards.base import METRICS
from api.http.metrics import metrics_text
from api.http.problem_documents import problem_responses

_TEXT = {
    "description": "The Prometheus text format 0.0.4. Unknown values are left out.",
    "content": {"text/plain": {"schema": {"type": "string"}}},
}


def metrics_routes(context: AppContext) -> APIRouter:
    """Return the route of the metrics."""
    router = APIRouter(tags=["status"])

    @router.get(
        METRICS,
        operation_id="metrics",
        summary="The state of rig, run and logbook for Prometheus",
        response_class=Response,
        responses={200: _TEXT, **problem_responses()},
    )
    async def metrics() -> Response:
        """In base units, by the naming rules of Prometheus: depths are in meters."""
        body, media_type = await context.reading.run(metrics_text, context)
        headers = {"Content-Type": media_type, "Cache-Control": "no-store"}
        return Response(body, headers=headers)

    return router
