"""The logbook's records through the application, as JSON and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from controller.logbook.reader import LogbookReader
from controller.messages import RunState, TripReason
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem
from tests.kits.logbook_kit import ManualLogbook, changed, mean, note, raws


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    manual = ManualLogbook(tmp_path / "book.sqlite")
    manual.logbook.work()
    yield manual
    manual.logbook.finish()


@pytest.fixture
def app(manual: ManualLogbook, tmp_path: Path) -> Any:
    return Daemon(tmp_path / "elsewhere", book=LogbookReader(manual.path)).app


def get(app: Any, path: str) -> Any:
    answer = ask(app, "GET", path)
    assert answer.status_code == 200, answer.text
    return answer.json()


def rows(answer: httpx.Response) -> list[dict[str, str]]:
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def test_empty_logbook(app: Any) -> None:
    assert get(app, "/api/runs") == {"runs": [], "next_before": None}


def test_runs_in_parts(app: Any, manual: ManualLogbook) -> None:
    for name in ("r1", "r2", "r3"):
        manual.begin(name)
    first = get(app, "/api/runs?limit=2")
    assert [run["run_id"] for run in first["runs"]] == ["r3", "r2"]
    second = get(app, f"/api/runs?limit=2&before={first['next_before']}")
    assert [run["run_id"] for run in second["runs"]] == ["r1"]
    assert second["next_before"] is None


def test_listed_run(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(
        changed(
            "r1",
            RunState.TRIPPED,
            900.0,
            TripReason.OVER_VOLTAGE,
            depth_mm=0.125,
            depth_low_mm=0.1,
            depth_high_mm=0.15,
        )
    )
    run = get(app, "/api/runs")["runs"][0]
    assert (run["state"], run["reason"], run["charge_coulombs"]) == (
        "tripped",
        "over_voltage",
        900.0,
    )
    assert (run["depth_low_mm"], run["depth_mm"], run["depth_high_mm"]) == (0.1, 0.125, 0.15)
    assert run["ended_at_utc"] is None, "a tripped run can go on once it is acknowledged"
    manual.write(changed("r1", RunState.STOPPED, 900.0))
    assert get(app, "/api/runs")["runs"][0]["ended_at_utc"] is not None
    assert {"at_s", "boot_id", "number"}.isdisjoint(run)


def test_search_words(app: Any, manual: ManualLogbook) -> None:
    manual.begin("r1", piece="fern brooch")
    manual.begin("r2", piece="moth pendant")
    assert [run["run_id"] for run in get(app, "/api/runs?search=FERN%20silver")["runs"]] == ["r1"]
    assert get(app, "/api/runs?search=%25")["runs"] == []


def test_run_with_plan(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    reported = get(app, "/api/runs/r1")
    assert reported["run"]["run_id"] == "r1"
    assert (reported["plan"], reported["settings"]) == ({"area_mm2": 767.0}, {"poll_s": 0.02})


@pytest.mark.parametrize(
    "path",
    [
        "",
        "/events",
        "/events?format=csv",
        "/samples",
        "/samples?points=5",
        "/samples?format=csv",
        "/raw-samples",
    ],
)
def test_unknown_run(app: Any, path: str) -> None:
    assert_problem(ask(app, "GET", f"/api/runs/never{path}"), 404, "unknown-run")


@pytest.mark.parametrize(
    "name", ["%00", "%F0%9F%94%A5", "..%2f..%2fetc", "x'%20OR%201=1--", "r1%0a"]
)
def test_strange_run_names(app: Any, name: str) -> None:
    assert ask(app, "GET", f"/api/runs/{name}").status_code == 404


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("runs?limit=0", "limit"), ("runs?limit=201", "limit"), ("runs?limit=many", "limit"),
        ("runs?search=" + "x" * 201, "search"),
        ("runs?search=a%00b", "search"), ("runs/r1/samples?points=0", "points"),
        ("runs/r1/samples?points=5001", "points"),
        ("runs/r1/samples?points=nan", "points"), ("runs/r1/samples?format=xml", "format"),
        ("runs/r1/events?after=-1", "after"),
        ("runs/" + "x" * 101, "run_id"),
    ],
)  # fmt: skip
def test_bad_queries(app: Any, query: str, field: str) -> None:
    assert assert_problem(ask(app, "GET", f"/api/{query}"), 422, "bad-value")["field"] == field


def test_events_in_parts(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(*(note(f"look {index}", data={"depth_mm": 0.1}) for index in range(5)))
    first = get(app, "/api/runs/r1/events?limit=3")
    assert [event["text"] for event in first["events"]] == ["look 0", "look 1", "look 2"]
    assert first["events"][0]["data"] == {"depth_mm": 0.1}
    second = get(app, f"/api/runs/r1/events?limit=3&after={first['next_after']}")
    assert [event["text"] for event in second["events"]] == ["look 3", "look 4"]
    assert second["next_after"] is None


def test_events_as_csv(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(*(note(f"look {index}") for index in range(1200)), note('=HYPERLINK("http://x")'))
    reported = rows(ask(app, "GET", "/api/runs/r1/events?format=csv"))
    assert len(reported) == 1201
    assert reported[-1]["text"] == '\'=HYPERLINK("http://x")'


def test_samples_in_both_formats(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(*(mean(second, 3.0 + second / 1000.0) for second in range(1200)))
    reported = get(app, "/api/runs/r1/samples")
    assert reported["run_id"] == "r1"
    assert [row["elapsed_s"] for row in reported["samples"]] == list(range(1200))
    answer = ask(app, "GET", "/api/runs/r1/samples?format=csv")
    assert (
        answer.headers["content-disposition"] == 'attachment; filename="biteclock-r1-samples.csv"'
    )
    table = rows(answer)
    assert [float(row["current_a"]) for row in table] == [
        row["current_a"] for row in reported["samples"]
    ]
    assert [float(row["charge_coulombs"]) for row in table] == [
        row["charge_coulombs"] for row in reported["samples"]
    ]


def test_reduced_curve(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(
        *(
            mean(second, 9.0 if second == 77 else 0.5 if second == 500 else 3.0)
            for second in range(1000)
        )
    )
    points = get(app, "/api/runs/r1/samples?points=20")["points"]
    assert len(points) == 20
    assert max(point["current_max_a"] for point in points) == 9.0
    assert min(point["current_min_a"] for point in points) == 0.5
    assert points[-1]["charge_coulombs"] == 3.0 * 999
    assert len(rows(ask(app, "GET", "/api/runs/r1/samples?points=20&format=csv"))) == 20


def test_short_curve(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    assert get(app, "/api/runs/r1/samples?points=20") == {"run_id": "r1", "points": []}
    manual.write(mean(0), mean(1))
    assert len(get(app, "/api/runs/r1/samples?points=20")["points"]) == 2


def test_raw_samples(app: Any, manual: ManualLogbook) -> None:
    manual.begin()
    manual.write(raws(700))
    reported = get(app, "/api/runs/r1/raw-samples")["samples"]
    assert len(reported) == 700
    assert reported[0] == {
        "elapsed_s": 0.0,
        "current_a": 3.0,
        "voltage_v": 2.5,
        "saturated": True,
        "averaged": True,
    }
    table = rows(ask(app, "GET", "/api/runs/r1/raw-samples?format=csv"))
    assert table[0]["saturated"] == "true"
    assert [float(row["elapsed_s"]) for row in table] == [row["elapsed_s"] for row in reported]


def test_missing_logbook(tmp_path: Path) -> None:
    app = Daemon(tmp_path, book=LogbookReader(tmp_path / "gone.sqlite")).app
    for path in ("/api/runs", "/api/runs/r1", "/api/runs/r1/samples", "/api/runs/r1/events"):
        problem = assert_problem(ask(app, "GET", path), 503, "logbook-unreadable")
        assert problem["part"] == "logbook"


def test_present_run_is_listed(tmp_path: Path) -> None:
    """The present run is in the logbook and can be planned again."""
    daemon = Daemon(tmp_path)
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        run_id = client.post("/api/start", json={**SILVER, "piece": "fern brooch"}).json()["run_id"]
        daemon.watch.until(RunState.RUNNING)
        daemon.watch.until_on_time(3.0)
        client.post("/api/stop")
        daemon.watch.until(RunState.STOPPED)
        client.post("/api/acknowledge")
        daemon.logbook.close_soon()
        daemon.logbook.work()
        reported = client.get(f"/api/runs/{run_id}").json()
        assert reported["run"]["state"] == "stopped"
        assert reported["plan"]["request"]["piece"] == "fern brooch"
        samples = client.get(f"/api/runs/{run_id}/samples").json()["samples"]
        assert samples[-1]["charge_coulombs"] == pytest.approx(
            reported["run"]["charge_coulombs"], abs=3.0
        )
        events = client.get(f"/api/runs/{run_id}/events").json()["events"]
        assert any("checking -> running" in event["text"] for event in events)
        assert client.post("/api/start", json=reported["plan"]["request"]).status_code == 202
    daemon.close()


def test_run_in_logbook(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        assert client.get("/api/status").json()["run_in_logbook"] is False
        run_id = client.post("/api/start", json=SILVER).json()["run_id"]
        assert client.get("/api/status").json()["run_in_logbook"] is False
        assert_problem(client.get(f"/api/runs/{run_id}"), 404, "unknown-run")
        daemon.logbook.work()
        assert client.get("/api/status").json()["run_in_logbook"] is True
        assert client.get(f"/api/runs/{run_id}").status_code == 200
    daemon.close()
