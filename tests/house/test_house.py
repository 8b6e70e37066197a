"""The rules of the house: units in names, who may import what, who may look at a clock, how long a file may be."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import pkgutil
import re
import sys
import types
import typing
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

import controller
from tests.paths import ROOT

ROOMS = ("controller", "hardware", "api")
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))
IDS = [str(path.relative_to(ROOT)) for path in FILES]

# --- units in names -----------------------------------------------------------------------------------------------------

SUFFIXES = (
    "a", "v", "ohm", "s", "mm", "um", "mm2", "cm2", "mm3", "coulombs", "g", "degc", "a_per_dm2", "hz", "g_per_cm3", "fraction",
    "g_per_mol", "coulombs_per_mol", "w", "wh", "ah", "j", "bytes", "dpi", "px", "utc", "l", "k", "um_per_min",
)  # fmt: skip

RATIOS = {
    "etch_factor": "depth over undercut, a ratio of lengths",
    "etch_factor_low": "the same",
    "etch_factor_high": "the same",
    "bite_factor": "metal removed over metal that Faraday predicts",
    "edge_depth_factor": "depth over depth",
    "weight": "a probability",
    "_sd": "standard deviation of a logarithm",
    "_ln": "a logarithm",
    "ln_conductance": "a logarithm",
    "_level": "a grey level, 0 to 255",
}
"""Names and endings of what has no unit, wherever it stands."""

WITHOUT_UNIT = {
    "Finding.value": "its unit stands beside it",
    "Finding.limit": "its unit stands beside it",
    "CheckItem.value": "its unit stands beside it",
    "CheckItem.limit": "its unit stands beside it",
    "MeasuredGrowth.pairs": "(s_mm, area_mm2), as its docstring says",
    "ReliefTable.pairs": "(depth_mm, volume_mm3), as its docstring says",
    "DepthTable.best": "(charge_coulombs, depth_mm), as its docstring says",
    "DepthTable.low": "(charge_coulombs, depth_mm), as its docstring says",
    "DepthTable.high": "(charge_coulombs, depth_mm), as its docstring says",
    "Node.mean": "logarithms",
    "Node.covariance": "of logarithms",
    "TileFrame.plate": "pixels of the array, as its docstring says",
}
"""Fields that carry a number and no unit in their name, each with its reason."""


def has_unit(name: str) -> bool:
    return any(name == suffix or name.endswith(f"_{suffix}") for suffix in SUFFIXES)


def is_ratio(name: str) -> bool:
    return any(
        name == ratio or (ratio.startswith("_") and name.endswith(ratio)) for ratio in RATIOS
    )


def holds_floats(annotation: object) -> bool:
    """Return whether a float stands anywhere in an annotation that is a number or a sequence of numbers."""
    if annotation is float:
        return True
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType, tuple, list, typing.Annotated):
        return any(holds_floats(part) for part in typing.get_args(annotation))
    return False


def controller_classes() -> Iterator[type]:
    for found in pkgutil.walk_packages(controller.__path__, "controller."):
        module = importlib.import_module(found.name)
        for _, cls in inspect.getmembers(module, inspect.isclass):
            if cls.__module__ == module.__name__ and (
                dataclasses.is_dataclass(cls) or issubclass(cls, BaseModel)
            ):
                yield cls


def float_fields(cls: type) -> list[str]:
    if issubclass(cls, BaseModel):
        return [name for name, field in cls.model_fields.items() if holds_floats(field.annotation)]
    own = vars(sys.modules[cls.__module__])
    found = []
    for field in dataclasses.fields(cls):
        annotation = field.type if not isinstance(field.type, str) else _evaluated(field.type, own)
        if not field.name.startswith("_") and holds_floats(annotation):
            found.append(field.name)
    return found


def _evaluated(annotation: str, namespace: dict[str, object]) -> object:
    try:
        return eval(annotation, namespace)
    except NameError:  # a name imported for type checking only: no number
        return None


FIELDS = [(cls.__name__, name) for cls in controller_classes() for name in float_fields(cls)]


def test_there_are_fields_to_look_at() -> None:
    assert len(FIELDS) > 80
    assert ("Sample", "current_a") in FIELDS
    assert ("LimitSettings", "max_voltage_v") in FIELDS
    assert ("PlanRequest", "thickness_mm") in FIELDS, "also what may be None"
    assert ("PlanRequest", "growth_mm2") in FIELDS, "also pairs of numbers"


@pytest.mark.parametrize(("cls", "name"), FIELDS, ids=[f"{cls}.{name}" for cls, name in FIELDS])
def test_every_number_carries_its_unit_in_its_name(cls: str, name: str) -> None:
    assert not name.endswith("_c"), "coulomb or Celsius?"
    assert has_unit(name) or is_ratio(name) or f"{cls}.{name}" in WITHOUT_UNIT


def test_no_exemption_outlives_its_field() -> None:
    assert set(WITHOUT_UNIT) <= {f"{cls}.{name}" for cls, name in FIELDS}
    assert not [
        entry
        for entry in WITHOUT_UNIT
        if has_unit(entry.split(".")[1]) or is_ratio(entry.split(".")[1])
    ]
    assert not [
        ratio
        for ratio in RATIOS
        if not any(is_ratio(name) and name.endswith(ratio) for _, name in FIELDS)
    ]


def test_the_unit_rule_can_fail() -> None:
    assert has_unit("depth_mm")
    assert has_unit("density_a_per_dm2")
    assert not has_unit("depth")
    assert not has_unit("temperature_c")
    assert not has_unit("datum"), "the suffix is a word of its own"


@pytest.mark.parametrize("path", FILES, ids=IDS)
def test_nothing_is_named_with_a_lone_c_for_a_unit(path: Path) -> None:
    names = {
        name
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        for name in (
            getattr(node, "id", None),
            getattr(node, "arg", None),
            getattr(node, "attr", None),
            getattr(node, "name", None),
        )
        if isinstance(name, str)
    }
    assert [name for name in sorted(names) if re.search(r"[a-z0-9]_c$", name)] == []


# --- imports ------------------------------------------------------------------------------------------------------------

PURE = (
    "units", "messages", "faraday", "relief", "charge", "estimate", "learn", "soak", "plan_request", "run_plan", "plan_warnings",
    "plan", "guards", "run_limits",
)  # fmt: skip
"""Physics and policy that import nothing but the standard library."""


def imports_of(path: Path) -> set[str]:
    """Return the modules that a file imports when it runs; what is imported for type checking only does not count."""
    found: set[str] = set()

    def visit(nodes: list[ast.stmt]) -> None:
        for node in nodes:
            if isinstance(node, ast.Import):
                found.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path.name}: absolute imports only"
                found.add(node.module or "")
                found.update(f"{node.module}.{alias.name}" for alias in node.names)
            elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
                visit(node.orelse)
            else:
                for part in ("body", "orelse", "finalbody", "handlers"):
                    visit(
                        [
                            child
                            for child in getattr(node, part, [])
                            if isinstance(child, ast.stmt | ast.ExceptHandler)
                        ]
                    )  # type: ignore[misc]

    visit(ast.parse(path.read_text(encoding="utf-8")).body)
    return found


def own_modules(imports: set[str]) -> set[str]:
    return {name for name in imports if (ROOT / (name.replace(".", "/") + ".py")).exists()}


@pytest.mark.parametrize("name", PURE)
def test_pure_modules_import_the_standard_library_and_each_other(name: str) -> None:
    seen: set[str] = set()
    to_look_at = {f"controller.{name}"}
    while to_look_at:
        module = to_look_at.pop()
        seen.add(module)
        imports = imports_of(ROOT / (module.replace(".", "/") + ".py"))
        foreign = (
            {found.split(".")[0] for found in imports}
            - set(sys.stdlib_module_names)
            - {"controller"}
        )
        assert not foreign, f"{name} reaches {foreign} through {module}"
        to_look_at |= own_modules(imports) - seen
    assert seen <= {f"controller.{pure}" for pure in (*PURE, "errors")}


def test_the_rooms_see_each_other_as_the_arrows_go() -> None:
    for path in FILES:
        room = path.relative_to(ROOT).parts[0]
        seen = {name.split(".")[0] for name in imports_of(path)}
        if room == "controller":
            assert not seen & {"hardware", "api"}, path.name
        elif room == "hardware":
            assert "api" not in seen, path.name
        elif path.name != "main.py":
            assert "hardware" not in seen, path.name


# --- the clock ----------------------------------------------------------------------------------------------------------

CLOCK = ROOT / "hardware" / "clock.py"
READS_A_CLOCK = re.compile(
    r"(datetime\.)?(datetime|date)\.(now|utcnow|today)\(|\btime\.(time|monotonic|perf_counter|sleep)|\basyncio\.sleep|(?<![\w.])sleep\("
)


@pytest.mark.parametrize(
    "path",
    [path for path in FILES if path != CLOCK],
    ids=[i for i in IDS if i != "hardware/clock.py"],
)
def test_only_the_clock_reads_a_clock_and_nobody_sleeps(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imported = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    }
    imported |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert "time" not in imported
    calls = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Call)]
    assert [call for call in calls if READS_A_CLOCK.match(call)] == []


def test_the_clock_rule_can_fail() -> None:
    tree = ast.parse(CLOCK.read_text(encoding="utf-8"))
    assert any(
        READS_A_CLOCK.match(ast.unparse(node))
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    )
    assert READS_A_CLOCK.match("sleep(1)")
    assert READS_A_CLOCK.match("datetime.datetime.now(UTC)")
    assert READS_A_CLOCK.match("date.today()")
    assert not READS_A_CLOCK.match("datetime.combine(a, b)")


# --- size ---------------------------------------------------------------------------------------------------------------

LONGEST_LINES = 300
LONG_FOR_A_REASON = {
    "controller/safety/supervisor.py": "the state machine is read at one sitting: to check that off comes first takes every way out",
}


def test_files_over_300_lines_have_a_reason() -> None:
    long = {
        str(p.relative_to(ROOT))
        for p in FILES
        if len(p.read_text(encoding="utf-8").splitlines()) > LONGEST_LINES
    }
    assert long == set(LONG_FOR_A_REASON)


def test_the_guards_stay_readable() -> None:
    assert len((ROOT / "controller" / "guards.py").read_text(encoding="utf-8").splitlines()) <= 150
