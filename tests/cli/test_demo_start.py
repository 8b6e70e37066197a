"""The demonstration starts its run when the daemon is ready, and gives up on any other refusal."""

from __future__ import annotations

from typing import Any

import pytest

from api.cli.client import ApiRefusedError
from api.cli.rehearsal.demo import _start

WRONG_STATE = "/problems/wrong-state"


class Client:
    """Stands in for the client of a daemon in one state, which refuses the start or accepts it."""

    def __init__(self, state: str, kind: str | None) -> None:
        self._state = state
        self._kind = kind

    def get(self, _path: str) -> Any:
        return {"state": self._state}

    def post(self, _path: str, _body: Any) -> Any:
        if self._kind is not None:
            raise ApiRefusedError("command_line.client.refused", kind=self._kind, detail="no")
        return {"run_id": "r1"}


def start(state: str, kind: str | None) -> str | None:
    return _start(Client(state, kind))  # type: ignore[arg-type]


def test_accepted_start() -> None:
    assert start("idle", None) == "r1"


def test_daemon_still_loading() -> None:
    assert start("idle", WRONG_STATE) is None


@pytest.mark.parametrize(
    ("state", "kind"), [("tripped", WRONG_STATE), ("idle", "/problems/bad-value")]
)
def test_other_refusal(state: str, kind: str) -> None:
    with pytest.raises(ApiRefusedError):
        start(state, kind)
