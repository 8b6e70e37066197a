"""The OpenAPI document: built once, in a thread, and kept as bytes."""

from __future__ import annotations

import gzip
import json
from typing import Any

from fastapi import FastAPI
from pydantic.json_schema import models_json_schema
from starlette.requests import Request
from starlette.responses import Response

from api.http.context import Lane
from api.http.guards.order import document_guards
from api.http.live import Heartbeat
from api.http.models.problem import Problem


class DocumentedApi(FastAPI):
    """FastAPI whose document also has the schemas of problems and heartbeats.

    No route returns them as a model. Building the document takes a good part of a second, in which
    the event loop could not answer Stop. Encoding it each time would take some ms.
    """

    def setup(self) -> None:
        """Add the route of the document."""
        self._building = Lane(1)
        self._document: tuple[bytes, bytes] | None = None
        if self.openapi_url:
            self.add_route(self.openapi_url, self._send_document, include_in_schema=False)

    def openapi(self) -> dict[str, Any]:
        """Return the OpenAPI document."""
        document = super().openapi()
        _, extra = models_json_schema(
            [(Problem, "serialization"), (Heartbeat, "serialization")],
            ref_template="#/components/schemas/{model}",
        )
        for name, schema in extra["$defs"].items():
            document["components"]["schemas"].setdefault(name, schema)
        if "securitySchemes" not in document["components"]:
            document_guards(document)
        return document

    async def _send_document(self, request: Request) -> Response:
        if self._document is None:
            await self._building.run(self._build)
        plain, compressed = self._document or (b"", b"")
        headers = {"Vary": "Accept-Encoding"}
        if "gzip" in request.headers.get("accept-encoding", "").lower():
            headers["Content-Encoding"] = "gzip"
            return Response(compressed, media_type="application/json", headers=headers)
        return Response(plain, media_type="application/json", headers=headers)

    def _build(self) -> None:
        """Build the document, unless an earlier request has done it."""
        if self._document is None:
            plain = json.dumps(self.openapi(), ensure_ascii=False).encode()
            self._document = plain, gzip.compress(plain)
