"""All routes of the API."""

from __future__ import annotations

from starlette.routing import BaseRoute

from api.http.context import AppContext
from api.http.routes.access import access_routes
from api.http.routes.artworks import artwork_routes
from api.http.routes.backup import backup_routes
from api.http.routes.baths import bath_routes
from api.http.routes.commands import command_routes
from api.http.routes.films import film_routes
from api.http.routes.logbook import book_routes
from api.http.routes.messages import message_routes
from api.http.routes.metrics import metrics_routes
from api.http.routes.plates import plate_routes
from api.http.routes.readings import reading_routes
from api.http.routes.reliefs import relief_routes
from api.http.routes.rig import rig_routes
from api.http.routes.status import status_routes
from api.http.routes.stop import stop_routes


def api_routes(context: AppContext) -> list[BaseRoute]:
    """Return the routes one by one, in the order of the document.

    An included router would be searched again at each request.
    """
    routers = (
        status_routes(context),
        command_routes(context),
        stop_routes(context),
        reading_routes(context),
        bath_routes(context),
        artwork_routes(context),
        film_routes(context),
        plate_routes(context),
        relief_routes(context),
        book_routes(context),
        backup_routes(context),
        rig_routes(context),
        message_routes(context),
        access_routes(context),
        metrics_routes(context),
    )
    return [route for router in routers for route in router.routes]
