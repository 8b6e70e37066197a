"""The guards in their order, and what of them stands in the document."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from starlette.middleware import Middleware

from api.access.auth import COOKIE, Access
from api.http.guards.base import ACCESS, LIVE, PAIR, STOP, UPLOAD, GuardRow
from api.http.guards.control import ControlGuard
from api.http.guards.host import HostGuard
from api.http.guards.load import LoadGuard
from api.http.guards.method import MethodGuard
from api.http.guards.origin import OriginGuard
from api.http.problem_kinds import (
    FOREIGN_ORIGIN,
    NOT_JSON,
    PAIRING_NEEDED,
    TOO_BUSY,
    UNKNOWN_HOST,
    Kind,
)
from api.http.problems import tell_problems

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
        "description": "The token in the daemon's state directory, or a paired device's own.",
    },
}


def bench_guards(access: Access, names: Iterable[str]) -> tuple[Middleware, ...]:
    """Return the guards of the daemon, outermost first.

    :param names: host names under which the bench is known, without port.
    """
    return (
        Middleware(LoadGuard),
        Middleware(
            GuardRow, guards=(HostGuard(names), MethodGuard(), OriginGuard(), ControlGuard(access))
        ),
    )


def tell_guards(document: dict[str, Any]) -> None:
    """Put the guards' refusals, and what they want to be shown, into the OpenAPI document. Stop has none of them."""
    document["components"]["securitySchemes"] = _SCHEMES
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            if path == STOP:
                continue
            is_safe = method == "get"
            tell_problems(operation["responses"], *_kinds(path, is_safe=is_safe), key=str)
            if path not in (ACCESS, PAIR):
                shown: list[dict[str, list[str]]] = [{"pairing": []}, {"token": []}]
                operation["security"] = [{}, *shown] if is_safe else shown


def _kinds(path: str, *, is_safe: bool) -> tuple[Kind, ...]:
    kinds = [UNKNOWN_HOST] if path == LIVE else [UNKNOWN_HOST, TOO_BUSY]
    if path not in (ACCESS, PAIR):
        kinds.append(PAIRING_NEEDED)
    if not is_safe:
        kinds.append(FOREIGN_ORIGIN)
        if path != UPLOAD:
            kinds.append(NOT_JSON)
    return tuple(kinds)
