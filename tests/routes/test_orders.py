"""Commands carry their run and their age; a late one or one for another run is refused."""

from __future__ import annotations

import asyncio
import json
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.requests import Request

from api.http import orders
from api.http.orders import wanted_by
from api.http.server import WebServer
from controller.errors import LateCommandError
from controller.messages import RunState, SourceKind
from controller.running.loop import MOST_ENDED
from controller.running.orders import LATE_S
from tests.kits.api_client import SILVER, WAIT_S, Daemon, assert_problem, serving_at
from tests.kits.raw_http import STOP, connect, status_of
from tests.paths import ROOT

S = RunState


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


def begin(daemon: Daemon, client: Any) -> str:
    answer = client.post("/api/start", json=SILVER)
    assert answer.status_code == 202, answer.text
    daemon.watch.until(S.RUNNING)
    return str(answer.json()["run_id"])


def paired(daemon: Daemon, client: Any) -> None:
    client.headers["Authorization"] = f"Bearer {daemon.bench_token}"


def test_late_command_is_refused(daemon: Daemon) -> None:
    """Older than the limit: refused, with age and limit. Just younger: carried out."""
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        late = {"age_s": LATE_S + 0.1}
        problem = assert_problem(
            client.post("/api/start", json=SILVER, params=late), 409, "late-command"
        )
        assert "10 s" in problem["detail"]
        begin(daemon, client)
        assert_problem(client.post("/api/pause", params=late), 409, "late-command")
        assert daemon.board.snapshot is not None
        assert daemon.board.snapshot.state is S.RUNNING
        assert client.post("/api/pause", params={"age_s": LATE_S - 0.5}).status_code == 200


@pytest.mark.parametrize("age", ["-1", "nan", "inf", "old"])
def test_impossible_age_is_refused(daemon: Daemon, age: str) -> None:
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        assert_problem(client.post("/api/pause", params={"age_s": age}), 422, "bad-value")


def test_command_for_another_run(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        other = {"run_id": "20200101-000000-1"}
        assert_problem(client.post("/api/acknowledge", params=other), 409, "other-run")
        run_id = begin(daemon, client)
        problem = assert_problem(client.post("/api/pause", params=other), 409, "other-run")
        assert run_id in problem["detail"]
        assert client.post("/api/pause", params={"run_id": run_id}).status_code == 200
        assert_problem(client.post("/api/resume", params=other), 409, "other-run")
        assert_problem(client.post("/api/left-in", params=other), 409, "other-run")


def test_stop_names_its_run(daemon: Daemon) -> None:
    """For a run that is over it is refused; for its own run it never is, however old."""
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        other = {"run_id": begin(daemon, client), "age_s": "0"}
        client.post("/api/stop")
        daemon.watch.until(S.STOPPED)
        client.post("/api/acknowledge")
        run_id = begin(daemon, client)
        problem = assert_problem(client.post("/api/stop", params=other), 409, "other-run")
        assert run_id in problem["detail"]
        assert daemon.rig.gate.reads_on()
        old = {"run_id": run_id, "age_s": "3600"}
        assert client.post("/api/stop", params=old).json()["relay_on"] is False
        assert not daemon.rig.gate.reads_on()


@pytest.mark.parametrize(
    "query", ["", "age_s=99999", "age_s=old", "run_id=", "what=else", "age_s=nan&age_s=-1"]
)
def test_stop_without_run_works(daemon: Daemon, query: str) -> None:
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        begin(daemon, client)
        assert client.post(f"/api/stop?{query}").json()["relay_on"] is False
        assert not daemon.rig.gate.reads_on()


@pytest.mark.parametrize(
    "name", ["20200101-000000-1", "garbage", "%FF%FE", "%00", "undefined", "r" * 5000]
)
def test_stop_with_unknown_name(daemon: Daemon, name: str) -> None:
    """Nobody knows such a run to be over: the relay goes off."""
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        begin(daemon, client)
        assert client.post(f"/api/stop?run_id={name}").json()["relay_on"] is False
        assert not daemon.rig.gate.reads_on()


def test_ended_runs_are_bounded(daemon: Daemon) -> None:
    """The newest ones are remembered."""
    for number in range(MOST_ENDED + 2):
        assert daemon.board.snapshot is not None
        daemon.board.publish(replace(daemon.board.snapshot, run_id=f"run {number}"))
    assert not daemon.board.has_ended("run 0")
    assert daemon.board.has_ended("run 1")
    assert daemon.board.has_ended(f"run {MOST_ENDED}")
    assert not daemon.board.has_ended(f"run {MOST_ENDED + 1}")


def test_old_stop_spares_new_start(daemon: Daemon) -> None:
    """A Stop for a run that is over does not cancel the next start."""
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        run_id = begin(daemon, client)
        client.post("/api/stop")
        daemon.watch.until(S.STOPPED)
        assert client.post("/api/acknowledge").status_code == 200
        before = daemon.rig.gate.newest_request()
        problem = assert_problem(
            client.post("/api/stop", params={"run_id": run_id}), 409, "other-run"
        )
        assert "no longer" in problem["detail"]
        assert daemon.rig.gate.newest_request() == before


def test_source_is_recorded(daemon: Daemon) -> None:
    """The events name who gave each command, as values and in words."""
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        run_id = begin(daemon, client)
        del client.headers["Authorization"]
        client.post("/api/stop")
        daemon.watch.until(S.STOPPED)
        paired(daemon, client)
        client.post("/api/lifted")
        daemon.logbook.work()
        events = client.get(f"/api/runs/{run_id}/events").json()["events"]
    found = [event for event in events if "source" in (event["data"] or {})]
    kinds = [event["data"]["source"]["kind"] for event in found]
    assert kinds == [SourceKind.PROGRAM, SourceKind.UNPAIRED, SourceKind.PROGRAM]
    assert re.search(r"It came from \S+, which is not paired\.$", found[1]["text"])
    assert found[1]["data"]["source"]["address"] in found[1]["text"]


BODY = json.dumps(SILVER).encode()


def start_head(daemon: Daemon, more: bytes = b"") -> bytes:
    token = daemon.bench_token.strip().encode()
    return (
        b"POST /api/start HTTP/1.1\r\nHost: bench.local\r\nContent-Type: application/json\r\n"
        b"Authorization: Bearer %b\r\nContent-Length: %d\r\n%b\r\n" % (token, len(BODY), more)
    )


def send_head(daemon: Daemon, port: int) -> Any:
    """Send the head of a Start and wait until the application reads the body.

    Source: RFC 9110 section 10.1.1.
    """
    start = connect(port)
    start.sendall(start_head(daemon, b"Expect: 100-continue\r\n"))
    assert start.recv(65536).startswith(b"HTTP/1.1 100 ")
    return start


def test_stop_beats_unfinished_start(daemon: Daemon) -> None:
    """The head of Start arrives, then a Stop, then the body: nothing starts."""
    with (
        daemon.looping(),
        serving_at(WebServer(daemon.app)) as port,
        send_head(daemon, port) as start,
        connect(port) as stop,
    ):
        stop.sendall(STOP)
        assert status_of(stop) == b"200"
        daemon.watch.pass_s(0.1)  # the loop deals with it, and the gate may turn on again
        start.sendall(BODY)
        assert status_of(start) == b"409"
    assert daemon.assembly.supervisor.run is None


def test_age_counts_from_head(daemon: Daemon) -> None:
    """A body that takes longer than the limit makes the Start late."""
    with (
        daemon.looping(),
        serving_at(WebServer(daemon.app)) as port,
        send_head(daemon, port) as start,
    ):
        daemon.heart.now_s += LATE_S + 0.1
        start.sendall(BODY)
        assert status_of(start) == b"409"
    assert daemon.assembly.supervisor.run is None


def test_stop_beats_waiting_resume(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A Stop between the arrival of Resume and its thread prevents it."""
    service = daemon.assembly.service
    resume = service.resume

    def late(*given: Any, **more: Any) -> None:
        service.stop()
        daemon.watch.until(S.STOPPED)
        resume(*given, **more)

    monkeypatch.setattr(service, "resume", late)
    with daemon.looping(), daemon.served() as client:
        paired(daemon, client)
        begin(daemon, client)
        client.post("/api/pause")
        problem = assert_problem(client.post("/api/resume"), 409, "wrong-state")
    assert "Off was requested in the meantime" in problem["detail"]


def until_nobody_is_connected(server: WebServer) -> None:
    while server.server_state.connections:
        pass


def test_start_without_client(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page gives up while the plan is made, and has said that Start failed."""
    server, service = WebServer(daemon.app), daemon.assembly.service
    plan, told, started = service.plan, [], service.start

    def left(request: Any) -> Any:
        connection.close()
        until_nobody_is_connected(server)
        return plan(request)

    def watched(*given: Any, **more: Any) -> Any:
        try:
            return started(*given, **more)
        except LateCommandError as error:
            told.append(error)
            raise
        finally:
            is_over.set()

    is_over = threading.Event()
    monkeypatch.setattr(service, "plan", left)
    monkeypatch.setattr(service, "start", watched)
    with daemon.looping(), serving_at(server) as port:
        connection = connect(port)
        connection.sendall(start_head(daemon) + BODY)
        assert is_over.wait(WAIT_S)
    assert daemon.assembly.supervisor.run is None
    assert [error.message.key for error in told] == ["run.refused.client_gone"]


def test_resume_without_client(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    service = daemon.assembly.service
    resume = service.resume
    server, is_over = WebServer(daemon.app), threading.Event()

    def left(*given: Any, **more: Any) -> None:
        connection.close()
        until_nobody_is_connected(server)
        try:
            resume(*given, **more)
        finally:
            is_over.set()

    with daemon.looping():
        with daemon.served() as client:
            paired(daemon, client)
            begin(daemon, client)
            client.post("/api/pause")
            daemon.watch.pass_s(0.5)  # the current falls to zero
        monkeypatch.setattr(service, "resume", left)
        with serving_at(server) as port:
            connection = connect(port)
            connection.sendall(start_head(daemon).replace(b"/api/start", b"/api/resume") + BODY)
            assert is_over.wait(WAIT_S)
        assert daemon.assembly.supervisor.state is S.PAUSED


def test_page_has_same_limit() -> None:
    words = (ROOT / "api/page/js/frame/meant_for.js").read_text(encoding="utf-8")
    found = re.search(r"LATE_MS = (\d+);", words)
    assert found is not None
    assert float(found[1]) == LATE_S * 1000.0


class TrustsAll:
    """Every device may control."""

    def may_still_control(self, _caller: object) -> bool:
        return True


def post() -> Request:
    """Return a request of somebody who is still connected."""

    async def receive() -> dict[str, Any]:
        await asyncio.Event().wait()
        raise AssertionError

    app = FastAPI()
    app.state.access = TrustsAll()
    return Request({"type": "http", "method": "POST", "app": app}, receive)


async def question() -> Callable[[], bool]:
    return wanted_by(post())


def test_server_says_who_waits() -> None:
    async def asked() -> bool:
        return await asyncio.to_thread(await question())

    assert asyncio.run(asked()) is True


def test_ended_server_wants_nothing() -> None:
    assert asyncio.run(question())() is False


def test_halted_server_wants_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The question came when the server's loop had made its last round."""
    monkeypatch.setattr(orders, "ASK_S", 0.01)
    loop = asyncio.new_event_loop()
    try:
        assert loop.run_until_complete(question())() is False
    finally:
        loop.close()


def test_cancelled_question_wants_nothing() -> None:
    """The server cancels its tasks when it ends."""

    async def asked() -> bool:
        entered = asyncio.Event()

        async def receive() -> dict[str, Any]:
            entered.set()
            await asyncio.Event().wait()
            raise AssertionError

        request = post()
        request.is_disconnected = receive  # type: ignore[method-assign, assignment]
        answer = asyncio.create_task(asyncio.to_thread(wanted_by(request)))
        await entered.wait()
        for task in asyncio.all_tasks() - {answer, asyncio.current_task()}:
            task.cancel()
        return await answer

    assert asyncio.run(asked()) is False
