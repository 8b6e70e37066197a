"""The guards in their order, and their part of the OpenAPI document."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Sequence
from typing import Any

from starlette.middleware import Middleware

from api.access.auth import COOKIE, Access
from api.http.guards.base import (
    ACCESS,
    LIVE,
    PAIR,
    RESTORE,
    STOP,
    UPLOAD,
    GuardRow,
    is_of_artworks,
)
from api.http.guards.control import ControlGuard
from api.http.guards.host import HostGuard
from api.http.guards.load import LoadGuard
from api.http.guards.method import MethodGuard
from api.http.guards.origin import OriginGuard
from api.http.problem_documents import add_problem_responses
from api.http.problem_kinds import (
    FOREIGN_ORIGIN,
    NOT_JSON,
    PAIRING_NEEDED,
    TOO_BUSY,
    UNKNOWN_HOST,
    Kind,
)

_SCHEMES = {
    "pairing": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "Set by /api/pair.",
    },
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "The token in the daemon's state directory, or the one of a paired device.",
    },
}


def all_guards(
    access: Access,
    names: Iterable[str],
    *,
    network_names: Callable[[], Container[str]] = tuple,
    addresses: Callable[[], Sequence[str]] = tuple,
) -> tuple[Middleware, ...]:
    """Return the guards of the daemon, outermost first.

    :param names: host names of the machine, without port.
    :param network_names: returns further names, which the network gives the machine.
    :param addresses: returns the base addresses of the page.
    """
    host = HostGuard(names, network_names, addresses)
    return (
        Middleware(LoadGuard, access=access),
        Middleware(GuardRow, guards=(host, MethodGuard(), OriginGuard(), ControlGuard(access))),
    )


def document_guards(document: dict[str, Any]) -> None:
    """Put the guards' refusals and credentials into the OpenAPI document. Stop has none."""
    document["components"]["securitySchemes"] = _SCHEMES
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            if path == STOP:
                continue
            is_safe = method == "get"
            add_problem_responses(operation["responses"], *_kinds(path, is_safe=is_safe), key=str)
            if path not in (ACCESS, PAIR):
                credentials: list[dict[str, list[str]]] = [{"pairing": []}, {"token": []}]
                is_open = is_safe and not is_of_artworks(path)
                operation["security"] = [{}, *credentials] if is_open else credentials


def _kinds(path: str, *, is_safe: bool) -> tuple[Kind, ...]:
    kinds = [UNKNOWN_HOST] if path == LIVE else [UNKNOWN_HOST, TOO_BUSY]
    if path not in (ACCESS, PAIR):
        kinds.append(PAIRING_NEEDED)
    if not is_safe:
        kinds.append(FOREIGN_ORIGIN)
        if path not in (UPLOAD, RESTORE):
            kinds.append(NOT_JSON)
    return tuple(kinds)
