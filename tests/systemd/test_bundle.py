"""A bundle: every file is checked before one is used, and no network is asked."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from systemd.bundle import digest, pack, pins_for, write_sums
from tests.kits.install_kit import Bench
from tests.paths import ROOT


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.close()


@pytest.fixture
def bundle(bench: Bench) -> Path:
    """A bundle as ``make bundle`` lays it out, with an empty wheel of the project."""
    folder = bench.kit / "biteclock-0.13.0-bundle"
    shutil.copytree(bench.checkout("0.13.0"), folder)
    shutil.copytree(ROOT / "systemd/lock", folder / "systemd/lock")
    (folder / "wheels").mkdir()
    (folder / "wheels/biteclock-0.13.0-py3-none-any.whl").write_text("")
    write_sums(folder)
    return folder


def older(bench: Bench) -> None:
    bench.begin(bench.checkout("0.12.0"))


@pytest.mark.parametrize("form", ["tar file", "folder", "unpacked by hand"])
def test_bundle_installs_without_network(bench: Bench, bundle: Path, form: str) -> None:
    older(bench)
    (bench.kit / "pip").unlink()
    given = {"tar file": pack(bundle), "folder": bundle, "unpacked by hand": None}[form]
    if given is None:
        bench.install(checkout=bundle)
    else:
        bench.install("--bundle", str(given), checkout=bench.checkout("0.12.1"))
    assert bench.running() == "venv-0.13.0-1"
    calls = (bench.kit / "pip").read_text().splitlines()
    assert len(calls) == 2
    assert all("--no-index" in call for call in calls)
    assert "--require-hashes" in calls[0]
    assert calls[1].endswith("wheels/biteclock-0.13.0-py3-none-any.whl")
    assert "apt-get" not in bench.notes.read_text().split("systemctl restart biteclock")[-1]


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        ("changed", "is damaged"),
        ("missing", "is damaged"),
        ("added", "does not name"),
        ("no sums", "has no SHA256SUMS"),
        ("no tar", "is not a bundle"),
    ],
)
def test_damaged_bundle_is_refused(bench: Bench, bundle: Path, damage: str, why: str) -> None:
    """Before anything is changed."""
    older(bench)
    wheel = bundle / "wheels/biteclock-0.13.0-py3-none-any.whl"
    given = bundle
    match damage:
        case "changed":
            wheel.write_text("other")
        case "missing":
            wheel.unlink()
        case "added":
            (bundle / "wheels/extra-1.0-py3-none-any.whl").write_text("")
        case "no sums":
            (bundle / "SHA256SUMS").unlink()
        case "no tar":
            given = bench.kit / "text"
            given.write_text("text")
    before = bench.tree()
    done = bench.try_install("--bundle", str(given), checkout=bench.checkout("0.12.1"))
    assert done.returncode == 1
    assert why in done.stderr
    assert bench.tree() == before
    assert bench.running() == "venv-0.12.0-1"


def test_packing_is_repeatable(bundle: Path) -> None:
    """Two people who pack the same files get the same sum to compare."""
    first = digest(pack(bundle))
    for path in bundle.rglob("*"):
        path.touch()
    assert digest(pack(bundle)) == first


def test_pins_follow_the_machine() -> None:
    names = {
        python: {pin.requirement.name for pin in pins_for("product", python)}
        for python in ("3.11", "3.13")
    }
    assert names["3.11"] ^ names["3.13"] == {"lgpio", "adafruit-lgpio"}
    assert "colorama" not in names["3.11"]
