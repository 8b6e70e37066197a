"""The page is served whole, is asked for anew each time, and stays out of the API's way. Validators: RFC 9110 section 8.8."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.http.page_files import PAGE_DIRECTORY
from tests.kits.api_client import Daemon, ask, assert_problem

FILES = {
    "index.html": ("<!doctype html><title>page</title>", "text/html; charset=utf-8"),
    "page.css": ("body { margin: 0 }", "text/css; charset=utf-8"),
    "page.js": ("export const a = 1;", "text/javascript; charset=utf-8"),
    "icon.svg": ("<svg xmlns='http://www.w3.org/2000/svg'/>", "image/svg+xml"),
}


@pytest.fixture
def daemon(tmp_path: Path) -> Daemon:
    page = tmp_path / "page"
    page.mkdir()
    for name, (text, _) in FILES.items():
        (page / name).write_text(text)
    (tmp_path / "secret.txt").write_text("not for the page")
    return Daemon(tmp_path / "state", page=page)


@pytest.mark.parametrize("name", FILES)
def test_files_come_with_type_and_validators(daemon: Daemon, name: str) -> None:
    answer = ask(daemon.app, "GET", f"/{name}")
    assert (answer.status_code, answer.text) == (200, FILES[name][0])
    assert answer.headers["content-type"] == FILES[name][1]
    assert answer.headers["cache-control"] == "no-cache"
    assert answer.headers["etag"]


def test_the_page_is_at_the_root(daemon: Daemon) -> None:
    assert ask(daemon.app, "GET", "/").text == FILES["index.html"][0]
    assert ask(daemon.app, "HEAD", "/").status_code == 200


def test_what_has_not_changed_is_not_sent_again_and_what_has_is(
    daemon: Daemon, tmp_path: Path
) -> None:
    etag = ask(daemon.app, "GET", "/page.js").headers["etag"]
    again = ask(daemon.app, "GET", "/page.js", headers={"if-none-match": etag})
    assert (again.status_code, again.content) == (304, b"")
    assert (again.headers["etag"], again.headers["cache-control"]) == (etag, "no-cache")
    (tmp_path / "page" / "page.js").write_text("export const b = 22;")
    assert ask(daemon.app, "GET", "/page.js", headers={"if-none-match": etag}).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/%2e%2e/secret.txt",
        "/..%2fsecret.txt",
        "http://bench.local//secret.txt",
        "/a%00b",
        "/" + "x" * 5000,
    ],
)
def test_nothing_outside_the_page_is_served(daemon: Daemon, path: str) -> None:
    assert_problem(ask(daemon.app, "GET", path), 404, "nothing-here")


def test_a_file_named_like_the_api_is_never_served(daemon: Daemon, tmp_path: Path) -> None:
    (tmp_path / "page" / "api").mkdir()
    (tmp_path / "page" / "api" / "status").write_text("stale")
    assert "stale" not in ask(daemon.app, "GET", "/api/status").text
    (tmp_path / "page" / "apiary.html").write_text("bees")
    assert ask(daemon.app, "GET", "/apiary.html").text == "bees"


def test_every_file_of_the_real_page_is_served(tmp_path: Path) -> None:
    app = Daemon(tmp_path).app
    files = [path for path in PAGE_DIRECTORY.rglob("*") if path.is_file()]
    assert PAGE_DIRECTORY / "index.html" in files
    for path in files:
        assert (
            ask(app, "GET", "/" + path.relative_to(PAGE_DIRECTORY).as_posix()).content
            == path.read_bytes()
        )
    assert ask(app, "GET", "/").content == (PAGE_DIRECTORY / "index.html").read_bytes()
