"""The measuring process: exec'd, confined, answered, and killed after its time limit."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image

from controller.artwork import client, workplaces
from controller.artwork.client import measure
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import MeasureFailedError
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.places import EVENNESS_GRID
from controller.texts import Message
from tests.kits.artwork.files import svg
from tests.kits.artwork.shapes import disc, file_bytes, save
from tests.kits.artwork.worker_kit import request_of, run_worker
from tests.paths import ROOT

WORKER = "controller.artwork.worker"


@pytest.fixture
def artwork(tmp_path: Path) -> Path:
    return save(tmp_path / "a.png", disc(1.5, 3.0, 3.0), 600)


def test_process_agrees_with_function(artwork: Path, tmp_path: Path) -> None:
    """The process returns what the function returns."""
    options = MeasureOptions(depth_mm=0.25, etch_factor=1.0, copies=2)
    found = measure(artwork, options, preview_path=tmp_path / "p.png")
    assert found == measure_file(artwork, options)
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")


def test_exit_statuses_and_answers(artwork: Path) -> None:
    status, answer = run_worker(WORKER, request_of(artwork), artwork)
    assert status == 0
    assert answer["result"]["file_format"] == "PNG"
    status, answer = run_worker(WORKER, request_of(artwork, options={"page": 2}), artwork)
    assert status == 2
    assert answer["refused"]["field"] == "page"
    status, answer = run_worker(WORKER, request_of(artwork, options={"nonsense": 2}), artwork)
    assert status == 2
    assert answer["refused"]["field"] == "nonsense"
    status, answer = run_worker(WORKER, request_of(artwork, options=None), artwork)
    assert status == 1
    assert "TypeError" in answer["error"]


def test_worker_reports_lack_of_memory(tmp_path: Path) -> None:
    """A worker reports a lack of memory."""
    Image.new("L", (6000, 6000), 0).save(tmp_path / "a.png", dpi=(600, 600))
    path = tmp_path / "a.png"
    status, answer = run_worker(WORKER, request_of(path, memory_limit_mb=80), path)
    assert (status, answer) == (3, {"failed": "memory"})
    with pytest.raises(MeasureFailedError) as failed:
        measure(tmp_path / "a.png", MeasureOptions(), memory_limit_mb=80)
    assert failed.value.message == Message(
        "artwork.measuring.memory", {"name": "a.png", "limit_mb": 80}
    )


def test_damaged_length_is_damage(tmp_path: Path) -> None:
    """A PNG whose pixels claim to take 2 GB in the file: the imaging library tries to read them."""
    data = bytearray(file_bytes(Image.new("L", (200, 200), 0), "PNG", 600))
    place = data.index(b"IDAT")
    data[place - 4 : place] = (0x7FFFFFF0).to_bytes(4, "big")
    (tmp_path / "a.png").write_bytes(data)
    with pytest.raises(RefusedError) as refused:
        measure(tmp_path / "a.png", MeasureOptions())
    assert refused.value.message.key == "artwork.raster.damaged"


def test_refusal_crosses_the_process(tmp_path: Path) -> None:
    """A refusal crosses the process whole."""
    path = tmp_path / "a.png"
    path.write_bytes(b"GIF89a" + b"\0" * 50)
    with pytest.raises(RefusedError) as refused:
        measure(path, MeasureOptions())
    assert refused.value.field == "file"
    assert refused.value.message == Message("artwork.file.unknown_kind", {"name": "a.png"})
    with pytest.raises(RefusedError) as refused:
        measure(path.with_name("b.png"), MeasureOptions())
    assert refused.value.message.key == "artwork.file.unreadable"


def test_other_file_is_nonsense(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that a file has taken over names another one. The name decides the folder."""
    result = measure_file(artwork, MeasureOptions())
    other = replace(result, sha256="5a" * 32).to_dict()
    monkeypatch.setattr(
        client, "worker_result", lambda *_, **__: SimpleNamespace(value=other, unconfined=None)
    )
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions())
    assert failed.value.message.key == "artwork.worker.nonsense"


def test_too_little_memory(artwork: Path) -> None:
    """Too little memory has its message."""
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions(), memory_limit_mb=40)
    assert failed.value.message.key == "artwork.measuring.memory"


def test_timeout_kills_the_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drawing in which ten levels of ten copies each make ten thousand million squares."""
    levels = "".join(f'<g id="l{k + 1}">' + f'<use href="#l{k}"/>' * 10 + "</g>" for k in range(10))
    path = tmp_path / "bomb.svg"
    path.write_bytes(
        svg(f'<defs><rect id="l0" width="1" height="1"/>{levels}</defs><use href="#l10"/>')
    )
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def remember(*args: Any, **kwargs: Any) -> subprocess.Popen[bytes]:
        started.append(popen(*args, **kwargs))
        return started[-1]

    monkeypatch.setattr(workplaces.subprocess, "Popen", remember)
    with pytest.raises((MeasureFailedError, RefusedError)):
        measure(path, MeasureOptions(), time_limit_s=1.5)
    assert started[0].returncode is not None
    with pytest.raises(ProcessLookupError):
        os.killpg(started[0].pid, 0)


def test_timeout_has_its_message(artwork: Path) -> None:
    """A timeout has its message."""
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions(), time_limit_s=0.01)
    assert failed.value.message == Message(
        "artwork.measuring.late", {"name": "a.png", "limit_s": 0.01}
    )


def test_dead_worker_is_a_failure(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that dies is a failure with a message."""
    monkeypatch.setattr(workplaces.sys, "executable", "/bin/false")
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions())
    assert failed.value.message == Message(
        "artwork.measuring.silent", {"name": "a.png", "status": 1}
    )


def test_preview_without_a_place(artwork: Path, tmp_path: Path) -> None:
    """The message names the file, never its whole path."""
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions(), preview_path=tmp_path / "a.png" / "p.png")
    message = failed.value.message
    assert message == Message(
        "artwork.measuring.not_saved", {"name": "a.png", "reason": "Not a directory"}
    )


def test_worker_is_limited() -> None:
    """Seen from inside, by a script that limits itself as the worker does and reports."""
    script = (
        "import json, os, resource, sys\n"
        "from controller.artwork.confinement import limit\n"
        "limit(321, 45)\n"
        "print(json.dumps([resource.getrlimit(k) for k in"
        " (resource.RLIMIT_DATA, resource.RLIMIT_CPU, resource.RLIMIT_CORE)]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    data, cpu, core = json.loads(done.stdout)
    assert data == [321_000_000, 321_000_000]
    assert cpu == [45, 46]
    assert core == [0, 0]


def test_worker_starts_a_session(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The measuring process starts its own session."""
    seen: dict[str, Any] = {}
    popen = subprocess.Popen

    def look(*args: Any, **kwargs: Any) -> subprocess.Popen[bytes]:
        seen.update(kwargs)
        return popen(*args, **kwargs)

    monkeypatch.setattr(workplaces.subprocess, "Popen", look)
    measure(artwork, MeasureOptions())
    assert seen["start_new_session"] is True
    assert seen.get("close_fds", True) is True, "the relay's descriptor stays here"
    assert "preexec_fn" not in seen, "exec only: no Python runs between fork and exec"


def test_map_is_made_confined(artwork: Path) -> None:
    """The confined process makes the map too: it has imported all that the map needs."""
    bath = BathField(minus_plate_mm=(40.0, 40.0))
    found = measure(artwork, MeasureOptions(bath=bath, even_out_at=0.5))
    assert "widest-floor-middle" in [place.name for place in found.places]
    assert len(found.bath_resistance_ohm) == len(EVENNESS_GRID)
    assert found.remedies[0].name == "as-planned"
    assert found == measure_file(artwork, MeasureOptions(bath=bath, even_out_at=0.5))
