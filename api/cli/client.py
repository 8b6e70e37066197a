"""A small client of the daemon's own API, for the command line on the same machine."""

from __future__ import annotations

import json
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

from controller.errors import BiteclockError

TIMEOUT_S = 5.0
"""Longest wait for an answer, s: longer than the daemon waits for its own loop."""


class NoDaemonError(BiteclockError, ConnectionError):
    """No daemon answers at the address."""


class ApiRefusedError(BiteclockError):
    """The daemon refused. The message is its own."""


class ApiClient:
    """Asks a daemon.

    :param address: its base address, such as http://127.0.0.1:8420.
    :param token: what allows commands other than Stop, see api.auth.read_bench_token; None to look and stop only.
    """

    def __init__(self, address: str, token: str | None = None) -> None:
        self._address = address.rstrip("/")
        self._shown = {} if token is None else {"Authorization": f"Bearer {token}"}

    def get(self, path: str) -> Any:
        """Return the JSON answer to GET. Raises: NoDaemonError, ApiRefusedError."""
        return self._ask(Request(self._address + path, headers=self._shown))  # noqa: S310 always http

    def post(self, path: str, body: Any = None) -> Any:
        """Return the JSON answer to POST. Raises: NoDaemonError, ApiRefusedError."""
        data = b"" if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json", **self._shown}
        return self._ask(Request(self._address + path, data, headers))  # noqa: S310 always http

    def _ask(self, request: Request) -> Any:
        try:
            with urlopen(request, timeout=TIMEOUT_S) as answer:  # noqa: S310
                return json.load(answer)
        except HTTPError as error:
            with error:
                try:
                    detail = json.load(error).get("detail")
                except ValueError:
                    detail = None
            raise ApiRefusedError(
                detail or f"{self._address} answered {error.code} {error.reason}"
            ) from error
        except (URLError, OSError) as error:
            raise NoDaemonError(
                f"no biteclock answers at {self._address}: start it with 'biteclock serve'"
            ) from error
