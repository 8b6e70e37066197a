"""A small client of the daemon's API, for the command line on the same machine."""

from __future__ import annotations

import json
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

from controller.errors import BiteclockError
from controller.texts import Value

TIMEOUT_S = 5.0
"""Longest wait for a response, s: longer than the daemon waits for its control loop."""


class NoDaemonError(BiteclockError, ConnectionError):
    """No daemon answers at the address."""


class ApiRefusedError(BiteclockError):
    """The daemon refused a request.

    :param kind: kind of problem, a relative URI such as ``/problems/wrong-state`` (RFC 9457), or
        None when the response has none.
    """

    def __init__(self, key: str, /, *, kind: str | None = None, **values: Value) -> None:
        super().__init__(key, **values)
        self.kind = kind


class ApiClient:
    """Sends requests to a daemon.

    :param address: its base address, such as http://127.0.0.1:8420.
    :param token: allows commands other than Stop, see ``api.access.auth.read_bench_token``; None
        to read and stop only.
    :param timeout_s: longest wait for a response, s.
    """

    def __init__(
        self, address: str, token: str | None = None, timeout_s: float = TIMEOUT_S
    ) -> None:
        self._timeout_s = timeout_s
        self._address = address.rstrip("/")
        self._authorization = {} if token is None else {"Authorization": f"Bearer {token}"}

    def get(self, path: str) -> Any:
        """Return the JSON response to GET. Raises: NoDaemonError, ApiRefusedError."""
        url = self._address + path
        return self._send(Request(url, headers=self._authorization))  # noqa: S310 always http

    def post(self, path: str, body: Any = None) -> Any:
        """Return the JSON response to POST. Raises: NoDaemonError, ApiRefusedError."""
        data = b"" if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json", **self._authorization}
        return self._send(Request(self._address + path, data, headers))  # noqa: S310 always http

    def _send(self, request: Request) -> Any:
        try:
            with urlopen(request, timeout=self._timeout_s) as response:  # noqa: S310
                return json.load(response)
        except HTTPError as error:
            with error:
                raise self._refusal(error) from error
        except (URLError, OSError, HTTPException, ValueError) as error:
            raise NoDaemonError("command_line.client.no_daemon", address=self._address) from error

    def _refusal(self, error: HTTPError) -> ApiRefusedError:
        try:
            problem = json.load(error)
        except ValueError:
            problem = None
        if isinstance(problem, dict) and problem.get("detail"):
            return ApiRefusedError(
                "command_line.client.refused",
                kind=problem.get("type"),
                detail=str(problem["detail"]),
            )
        return ApiRefusedError(
            "command_line.client.failed",
            address=self._address,
            status=error.code,
            phrase=str(error.reason),
        )
