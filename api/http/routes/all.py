"""All routes of the API."""

from __future__ import annotations

from starlette.routing import BaseRoute

from api.http.routes.access import access_routes
from api.http.routes.artworks import artwork_routes
from api.http.routes.baths import bath_routes
from api.http.routes.commands import command_routes
from api.http.routes.logbook import book_routes
from api.http.routes.readings import reading_routes
from api.http.routes.rig import rig_routes
from api.http.routes.status import status_routes
from api.http.services import Desk


def api_routes(desk: Desk) -> list[BaseRoute]:
    """Return the routes one by one, in the order of the document; an included router would be matched anew at each request."""
    routers = (
        status_routes(desk),
        command_routes(desk),
        reading_routes(desk),
        bath_routes(desk),
        artwork_routes(desk),
        book_routes(desk),
        rig_routes(desk),
        access_routes(desk),
    )
    return [route for router in routers for route in router.routes]
