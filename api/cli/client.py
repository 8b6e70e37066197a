"""A small client of the daemon's API, for the command line on the same machine."""

from __future__ import annotations

import json
from collections.abc import Iterator
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import IO, Any
from urllib.error import HTTPError, URLError
from urllib.request import HTTPHandler, ProxyHandler, Request, build_opener

from api.cli.local_connection import connected
from controller.errors import BiteclockError
from controller.texts import Value

TIMEOUT_S = 5.0
"""Longest wait for a response, s: longer than the daemon waits for its control loop."""

PIECE_BYTES = 65_536


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
    :param local: the daemon's local socket, which is used in place of the network and needs no
        token.
    :param timeout_s: longest wait for a response, s.
    """

    def __init__(
        self,
        address: str,
        token: str | None = None,
        local: Path | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self.is_local = local is not None
        self._timeout_s = timeout_s
        self._address = address.rstrip("/")
        self._place = self._address if local is None else str(local)
        self._authorization = {} if token is None else {"Authorization": f"Bearer {token}"}
        # A proxy in the environment is not asked: the daemon is here or on the studio's network.
        handlers = [] if local is None else [_LocalHandler(local)]
        self._opener = build_opener(ProxyHandler({}), *handlers)

    @classmethod
    def through(cls, local: Path, timeout_s: float = TIMEOUT_S) -> ApiClient:
        """Return a client of the daemon on a local socket, where it may do everything."""
        return cls("http://localhost", local=local, timeout_s=timeout_s)

    def get(self, path: str) -> Any:
        """Return the JSON response to GET. Raises: NoDaemonError, ApiRefusedError."""
        return self._json(self._request(path))

    def post(self, path: str, body: Any = None) -> Any:
        """Return the JSON response to POST. Raises: NoDaemonError, ApiRefusedError."""
        data = b"" if body is None else json.dumps(body).encode()
        return self._json(self._request(path, data, {"Content-Type": "application/json"}))

    def upload(
        self, path: str, file: IO[bytes], size_bytes: int, kind: str, timeout_s: float
    ) -> Any:
        """Return the JSON response to a file. Raises: NoDaemonError, ApiRefusedError."""
        headers = {"Content-Type": kind, "Content-Length": str(size_bytes)}
        return self._json(self._request(path, file, headers), timeout_s)

    def pieces(self, path: str, timeout_s: float) -> Iterator[bytes]:
        """Yield the body of the response to GET.

        Raises: NoDaemonError, also when the body ends early; ApiRefusedError.
        """
        with self._answer(self._request(path), timeout_s) as response:
            while piece := self._read(response):
                yield piece

    def _read(self, response: Any) -> bytes:
        try:
            piece: bytes = response.read(PIECE_BYTES)
        except (OSError, HTTPException) as error:
            raise NoDaemonError("command_line.client.cut_short", address=self._place) from error
        return piece

    def _request(
        self, path: str, data: Any = None, headers: dict[str, str] | None = None
    ) -> Request:
        url = self._address + path
        return Request(url, data, {**(headers or {}), **self._authorization})  # noqa: S310 http

    def _json(self, request: Request, timeout_s: float | None = None) -> Any:
        with self._answer(request, self._timeout_s if timeout_s is None else timeout_s) as response:
            try:
                return json.load(response)
            except (OSError, HTTPException, ValueError) as error:
                raise NoDaemonError("command_line.client.no_daemon", address=self._place) from error

    def _answer(self, request: Request, timeout_s: float) -> Any:
        try:
            return self._opener.open(request, timeout=timeout_s)
        except HTTPError as error:
            with error:
                raise self._refusal(error) from error
        except (URLError, OSError, HTTPException) as error:
            raise NoDaemonError("command_line.client.no_daemon", address=self._place) from error

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
            address=self._place,
            status=error.code,
            phrase=str(error.reason),
        )


class _LocalConnection(HTTPConnection):
    """A connection to a local socket."""

    def __init__(self, host: str, *, local: Path, **options: Any) -> None:
        super().__init__(host, **options)
        self._local = local

    def connect(self) -> None:
        """Connect."""
        self.sock = connected(self._local, self.timeout)


class _LocalHandler(HTTPHandler):
    """Sends every request through one local socket."""

    def __init__(self, local: Path) -> None:
        super().__init__()
        self._local = local

    def http_open(self, request: Request) -> Any:
        """Send a request."""
        return self.do_open(_LocalConnection, request, local=self._local)  # type: ignore[arg-type]
