"""The page is served whole, with its texts, and leaves the API alone. Validators: RFC 9110, 8.8."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.http.page_files import (
    INDEX,
    PAGE_DIRECTORY,
    TEXTS_MODULE,
    MadeFile,
    page_texts,
    texts_module,
    with_texts,
)
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
def test_files_have_type_and_validators(daemon: Daemon, name: str) -> None:
    answer = ask(daemon.app, "GET", f"/{name}")
    assert (answer.status_code, answer.text) == (200, FILES[name][0])
    assert answer.headers["content-type"] == FILES[name][1]
    assert answer.headers["cache-control"] == "no-cache"
    assert answer.headers["etag"]


def test_page_is_at_the_root(daemon: Daemon) -> None:
    assert ask(daemon.app, "GET", "/").text == FILES["index.html"][0]
    assert ask(daemon.app, "HEAD", "/").status_code == 200


def test_unchanged_is_not_sent_again(daemon: Daemon, tmp_path: Path) -> None:
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
def test_nothing_outside_is_served(daemon: Daemon, path: str) -> None:
    assert_problem(ask(daemon.app, "GET", path), 404, "nothing-here")


def test_api_comes_before_files(daemon: Daemon, tmp_path: Path) -> None:
    (tmp_path / "page" / "api").mkdir()
    (tmp_path / "page" / "api" / "status").write_text("stale")
    assert "stale" not in ask(daemon.app, "GET", "/api/status").text
    (tmp_path / "page" / "apiary.html").write_text("bees")
    assert ask(daemon.app, "GET", "/apiary.html").text == "bees"


def test_real_page_is_served(tmp_path: Path) -> None:
    """Every file comes as it is, but for the index, which comes with its texts."""
    app = Daemon(tmp_path).app
    files = [path for path in PAGE_DIRECTORY.rglob("*") if path.is_file()]
    assert PAGE_DIRECTORY / INDEX in files
    for path in files:
        if path.name == INDEX:
            continue
        address = "/" + path.relative_to(PAGE_DIRECTORY).as_posix()
        assert ask(app, "GET", address).content == path.read_bytes()


def test_index_has_its_texts(tmp_path: Path) -> None:
    """Each placeholder is filled, and both addresses of the index are the same file."""
    app = Daemon(tmp_path).app
    index = ask(app, "GET", "/")
    assert "{{" not in index.text
    assert f">{page_texts()['app.pause']}</button>" in index.text
    assert index.content == ask(app, "GET", f"/{INDEX}").content
    assert index.headers["content-type"] == "text/html; charset=utf-8"


def test_texts_are_a_module(tmp_path: Path) -> None:
    """All texts of the page, as one module; nothing of the other parts of the catalogue."""
    answer = ask(Daemon(tmp_path).app, "GET", f"/{TEXTS_MODULE}")
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    sent = json.loads(answer.text.removeprefix("export const TEXTS = ").removesuffix(";\n"))
    assert sent == dict(page_texts())
    assert len(sent) > 300


@pytest.mark.parametrize("address", ["/", f"/{INDEX}", f"/{TEXTS_MODULE}"])
def test_made_files_are_kept(tmp_path: Path, address: str) -> None:
    """A browser that has the file gets no second copy, and asks again next time."""
    app = Daemon(tmp_path).app
    first = ask(app, "GET", address)
    etag = first.headers["etag"]
    again = ask(app, "GET", address, headers={"if-none-match": etag})
    assert (again.status_code, again.content) == (304, b"")
    assert (again.headers["etag"], again.headers["cache-control"]) == (etag, "no-cache")
    other = ask(app, "GET", address, headers={"if-none-match": '"another"'})
    assert (other.status_code, other.content) == (200, first.content)
    assert ask(app, "HEAD", address).headers["etag"] == etag


def test_new_texts_change_tag() -> None:
    """After an update of the catalogue no browser stays with the old texts."""
    one, other = ({"a": "Stop"}, {"a": "Halt"})
    tags = {
        MadeFile(texts_module(it), "text/javascript").response().headers["etag"]
        for it in (one, other)
    }
    assert len(tags) == 2


def test_texts_are_no_markup() -> None:
    """A text is shown as it is; an unknown key is shown itself."""
    filled = with_texts('<p title="{{a}}">{{b.c}} {{d}}</p>', {"a": '"&', "b.c": "<b>"})
    assert filled == '<p title="&quot;&amp;">&lt;b&gt; d</p>'
