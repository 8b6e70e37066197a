"""The whole application: its document, checked by an outside validator, and the guards' order."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.models.base import unit_of
from api.http.problems import MEDIA_TYPE
from tests.kits.api_client import Daemon, ask

ROUTES = {
    ("get", "/api/status"), ("get", "/api/health"), ("get", "/api/events"), ("post", "/api/plan"),
    ("post", "/api/start"),
    ("post", "/api/pause"), ("post", "/api/resume"), ("post", "/api/acknowledge"),
    ("post", "/api/stop"), ("get", "/api/runs"),
    ("get", "/api/runs/{run_id}"), ("get", "/api/runs/{run_id}/events"),
    ("get", "/api/runs/{run_id}/samples"),
    ("get", "/api/runs/{run_id}/raw-samples"), ("get", "/api/rig-check"), ("get", "/api/metals"),
    ("get", "/api/rehearsal"),
    ("post", "/api/lifted"), ("post", "/api/left-in"), ("post", "/api/first-look"),
    ("post", "/api/ceilings"),
    ("get", "/api/runs/{run_id}/readings"), ("post", "/api/runs/{run_id}/readings"),
    ("post", "/api/runs/{run_id}/readings/{reading_id}/withdraw"),
    ("get", "/api/baths"), ("get", "/api/baths/{name}"), ("post", "/api/baths"),
    ("post", "/api/coupons"), ("post", "/api/fresh-acid"), ("post", "/api/plates"),
    *(
        ("get", f"/api/artworks/{{artwork}}/{name}")
        for name in ("relief.png", "height-map.png", "field", "section", "place")
    ),
    ("get", "/api/artworks"), ("post", "/api/artworks"), ("get", "/api/artworks/{artwork}"),
    ("get", "/api/artworks/{artwork}/preview.png"), ("post", "/api/artworks/{artwork}/film"),
    ("get", "/api/access"), ("post", "/api/pair"), ("post", "/api/unpair"),
    ("get", "/api/pairings"),
    ("post", "/api/pairings/{pairing_id}/revoke"), ("get", "/api/pairing"),
    ("post", "/api/pairing/new"), ("post", "/api/pairings/revoke-all"),
    ("get", "/metrics"),
    ("get", "/api/messages"), ("post", "/api/messages/test"),
    ("get", "/api/backup"), ("post", "/api/restore"),
}  # fmt: skip

GUARDED = {"401", "421", "503"}
CHANGING = {"403", "415"}
"""What the guards may answer to all but Stop, and to what changes something."""

BODY = ("400", "408", "413", "415", "422")

STATUSES = {
    "status": {"200"}, "health": {"200"}, "liveEvents": {"200"}, "plan": {"200", *BODY},
    "start": {"202", "409", *BODY},
    "pause": {"200", "409", "422"}, "resume": {"200", "409", "422"},
    "acknowledge": {"200", "409", "422"},
    "stop": {"200", "409"},
    "lifted": {"200", "409", "422"}, "leftIn": {"200", "409", "422"},
    "firstLook": {"200", "409", *BODY},
    "raiseCeilings": {"200", "409", *BODY},
    "listRuns": {"200", "404", "422"}, "getRun": {"200", "404", "422"},
    "listEvents": {"200", "404", "422"},
    "listSamples": {"200", "404", "422"}, "listRawSamples": {"200", "404", "422"},
    "listReadings": {"200", "404", "422"},
    "takeReading": {"201", "404", "409", *BODY}, "withdrawReading": {"200", "404", "409", *BODY},
    "listBaths": {"200"}, "getBath": {"200", "404", "422"}, "saveBath": {"200", *BODY},
    "weighCoupon": {"200", "404", *BODY}, "noteFreshAcid": {"200", "404", *BODY},
    "assemblePlate": {"200", "201", "404", "507", *BODY},
    "getReliefPicture": {"200", "404", "422"}, "getHeightMap": {"200", "404", "422"},
    "getPlateField": {"200", "404", "422"}, "getSection": {"200", "404", "422"},
    "getPlace": {"200", "404", "422"},
    "listArtworks": {"200", "422"},
    "uploadArtwork": {"200", "201", "408", "413", "415", "422", "507"},
    "getArtwork": {"200", "404", "422"}, "previewArtwork": {"200", "404", "422"},
    "makeFilm": {"200", "404", *BODY},
    "rigCheck": {"200"}, "metals": {"200"}, "rehearsal": {"200", "404"},
    "access": {"200"}, "pair": {"201", "409", "429", *BODY}, "unpair": {"200", "404"},
    "listPairings": {"200"},
    "revokePairing": {"200", "404", "422"}, "invitation": {"200"}, "newPin": {"200"},
    "metrics": {"200"},
    "messages": {"200"}, "testMessages": {"200"},
    "revokeAllPairings": {"200"}, "downloadBackup": {"200"},
    "restoreBackup": {"202", "408", "409", "413", "415", "422"},
}  # fmt: skip
"""Without the guards' and 500."""

OPEN = {"access", "pair"}
"""For those who are not paired, too."""


@pytest.fixture
def document(tmp_path: Path) -> Any:
    answer = ask(Daemon(tmp_path).app, "GET", "/api/openapi.json")
    assert answer.status_code == 200
    return answer.json()


def operations(document: Any) -> list[tuple[str, str, Any]]:
    return [
        (method, path, described)
        for path, methods in document["paths"].items()
        for method, described in methods.items()
    ]


def test_document_is_valid(document: Any) -> None:
    """Against the schema of the OpenAPI Initiative, as openapi-spec-validator carries it."""
    assert document["openapi"].startswith("3.1")
    OpenAPIV31SpecValidator(document).validate()


def test_route_list(document: Any) -> None:
    """The API has these routes and no others."""
    assert {(method, path) for method, path, _ in operations(document)} == ROUTES


def test_operations_are_documented(document: Any) -> None:
    """Every operation has a name, a tag, a summary and its problems."""
    names = [described["operationId"] for _, _, described in operations(document)]
    assert sorted(names) == sorted(STATUSES)
    tags = {tag["name"] for tag in document["tags"]}
    for method, path, described in operations(document):
        name = described["operationId"]
        expected = STATUSES[name] | {"500"}
        if path != "/api/stop":
            expected |= (GUARDED - {"401"}) if name in OPEN else GUARDED
            expected |= CHANGING if method == "post" else set()
        assert set(described["responses"]) == expected, name
        assert described["summary"]
        assert described["description"]
        assert set(described["tags"]) <= tags
        for status, response in described["responses"].items():
            assert response["description"]
            if (name, status) == ("health", "503"):  # the same body, or a problem of a guard
                assert set(response["content"]) == {"application/json", MEDIA_TYPE}
                continue
            assert list(response["content"]) == [MEDIA_TYPE] or int(status) < 400


def test_document_names_credentials(document: Any) -> None:
    """The document names the operations that need a paired device."""
    schemes = document["components"]["securitySchemes"]
    assert (schemes["pairing"]["in"], schemes["token"]["scheme"]) == ("cookie", "bearer")
    for method, path, described in operations(document):
        if path in ("/api/stop", "/api/access", "/api/pair"):
            assert "security" not in described
        else:
            assert ({} in described["security"]) is (
                method == "get" and not path.startswith("/api/artworks")
            ), path


def test_schemas_have_units(document: Any) -> None:
    """Every field of every schema has a unit and an example."""
    schemas = document["components"]["schemas"]
    assert {"Problem", "FieldProblem", "Status", "Heartbeat", "PlanRequestBody"} <= set(schemas)
    for name, schema in schemas.items():
        for field, described in schema.get("properties", {}).items():
            assert "nit: " in described["description"] or described["description"].endswith(
                "No unit."
            ), (
                name,
                field,
            )
            assert described["examples"], (name, field)


def test_parameters_have_units(document: Any) -> None:
    """Every parameter has a unit and an example."""
    for _, _, described in operations(document):
        for parameter in described.get("parameters", ()):
            unit = unit_of(parameter["name"])
            assert parameter["description"].endswith(f"Unit: {unit}." if unit else "No unit."), (
                parameter["name"]
            )
            assert parameter["schema"].get("examples") or parameter.get("examples"), parameter[
                "name"
            ]


def test_document_has_bounds(document: Any) -> None:
    """The bounds of what people send are in the document."""
    body = document["components"]["schemas"]["PlanRequestBody"]
    assert body["additionalProperties"] is False
    assert set(body["required"]) == {"metal"}
    depth = body["properties"]["depth_mm"]["anyOf"][0]
    assert (depth["minimum"], depth["maximum"]) == (1e-4, 10.0)
    assert body["properties"]["piece"]["maxLength"] == 80


def test_nothing_loaded_from_elsewhere(tmp_path: Path) -> None:
    """The studio's network may have no way out: no document viewer that fetches its scripts."""
    for path in ("/docs", "/redoc", "/openapi.json"):
        assert ask(Daemon(tmp_path / path[1:]).app, "GET", path).status_code == 404


def test_guards_come_first(tmp_path: Path) -> None:
    """The guards come before everything else, in their order."""
    seen: list[str] = []

    class Guard:
        def __init__(self, app: ASGIApp, name: str, blocks: bool = False) -> None:
            self.app, self.name, self.blocks = app, name, blocks

        async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
            seen.append(self.name)
            if self.blocks and scope["path"] != "/api/stop":
                await PlainTextResponse("no", 403)(scope, receive, send)
                return
            await self.app(scope, receive, send)

    app = Daemon(
        tmp_path,
        guards=[Middleware(Guard, name="outer"), Middleware(Guard, name="inner", blocks=True)],
    ).app
    assert ask(app, "GET", "/api/metals").status_code == 403
    assert seen == ["outer", "inner"]
    assert ask(app, "POST", "/api/stop").status_code == 200


def test_applications_share_nothing(tmp_path: Path) -> None:
    one, two = Daemon(tmp_path / "one"), Daemon(tmp_path / "two")
    one.step()
    assert ask(one.app, "GET", "/api/status").status_code == 200
    assert ask(two.app, "GET", "/api/status").status_code == 503
    assert one.app.state.live is not two.app.state.live
