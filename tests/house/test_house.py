"""The rules of the house: units in names, imports, who reads a clock, how long a file may be."""

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
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from pydantic import BaseModel

import controller
from tests.paths import ROOT

ROOMS = ("controller", "hardware", "api")
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))


@cache
def trees() -> dict[str, ast.Module]:
    """Return path -> syntax tree of every source file."""
    return {
        str(path.relative_to(ROOT)): ast.parse(path.read_text(encoding="utf-8")) for path in FILES
    }


# --- units in names -----------------------------------------------------------------------------

SUFFIXES = (
    "a", "v", "ohm", "s", "mm", "um", "mm2", "cm2", "mm3", "coulombs", "g", "degc", "a_per_dm2",
    "hz", "g_per_cm3", "fraction", "g_per_mol", "coulombs_per_mol", "w", "wh", "ah", "j", "bytes",
    "dpi", "px", "utc", "l", "k", "um_per_min",
    "s_per_m", "px2", "degrees",
    "mol_per_l", "j_per_mol", "s_per_coulomb", "s_mm2_per_coulomb", "percent", "minutes",
)  # fmt: skip

RATIOS = {
    "etch_factor": "depth over undercut, a ratio of lengths",
    "etch_factor_low": "the same",
    "etch_factor_high": "the same",
    "bite_factor": "metal removed over metal that Faraday predicts",
    "edge_depth_factor": "depth over depth",
    "evenness": "a share of the way from uniform to ohmic",
    "ratios": "depth over depth",
    "depth_ratio": "the same",
    "even_out_at": "an evenness",
    "share_of_area": "area over area",
    "weight": "a probability",
    "_order": "order of a reaction",
    "order": "the same",
    "water_parts": "parts of water to one part of acid",
    "_sd": "standard deviation of a logarithm",
    "_ln": "a logarithm",
    "ln_conductance": "a logarithm",
    "_level": "a grey level, 0 to 255",
}
"""Names and endings of values without a unit, in every class."""

WITHOUT_UNIT = {
    "Finding.value": "its unit is beside it",
    "Finding.limit": "its unit is beside it",
    "CheckItem.value": "its unit is beside it",
    "CheckItem.limit": "its unit is beside it",
    "Found.value": "its unit is beside it",
    "Found.limit": "its unit is beside it",
    "RigLine.value": "its unit is beside it",
    "RigLine.limit": "its unit is beside it",
    "Shown.listed": "its unit is that of the figure",
    "Shown.live": "its unit is that of the figure",
    "Kept.example": "its unit is that of the figure",
    "Kept.parts": "parts of the figure's unit",
    "FieldHeader.middle_ratios": "depth over depth",
    "FieldHeader.evenness_grid": "shares of the way from uniform to ohmic",
    "FieldHeader.prior_evenness": "a share of the way from uniform to ohmic",
    "MeasuredGrowth.pairs": "(s_mm, area_mm2): see its docstring",
    "ReliefTable.pairs": "(depth_mm, volume_mm3): see its docstring",
    "DepthTable.best": "(charge_coulombs, depth_mm): see its docstring",
    "DepthTable.low": "(charge_coulombs, depth_mm): see its docstring",
    "DepthTable.high": "(charge_coulombs, depth_mm): see its docstring",
    "PlanTables.deepest": "(charge_coulombs, depth_mm): see its docstring",
    "RunPlan.deepest": "(charge_coulombs, depth_mm): see its docstring",
    "Strand.covariance": "of logarithms",
    "Shape.share": "a probability",
    "Shape.shift": "a logarithm",
    "Shape.variance": "of a logarithm",
    "Sight.direction": "coefficients of logarithms",
    "RowLesson.doubt": "a probability",
    "RowLesson.old_bite_factor": "metal removed over metal that Faraday predicts",
    "Taught.spread": "standard deviation of a logarithm, and of that one's logarithm",
    "TileFrame.plate": "pixels of the array: see its docstring",
}
"""Fields that carry a number and no unit in their name, each with its reason."""


def has_unit(name: str) -> bool:
    return any(name == suffix or name.endswith(f"_{suffix}") for suffix in SUFFIXES)


def is_ratio(name: str) -> bool:
    return any(
        name == ratio or (ratio.startswith("_") and name.endswith(ratio)) for ratio in RATIOS
    )


def holds_floats(annotation: object) -> bool:
    """Return whether an annotation is a number or a sequence of numbers."""
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


def test_fields_are_found() -> None:
    """The search for fields finds the ones that the rule is about."""
    assert len(FIELDS) > 80
    assert ("Sample", "current_a") in FIELDS
    assert ("LimitSettings", "max_voltage_v") in FIELDS
    assert ("PlanRequest", "thickness_mm") in FIELDS, "also what may be None"
    assert ("PlanRequest", "growth_mm2") in FIELDS, "also pairs of numbers"


def test_numbers_carry_units() -> None:
    """The name of every number has its unit, and none ends in _c: coulomb or Celsius?"""
    fine = {
        (cls, name)
        for cls, name in FIELDS
        if has_unit(name) or is_ratio(name) or f"{cls}.{name}" in WITHOUT_UNIT
    }
    assert [
        f"{cls}.{name}" for cls, name in FIELDS if (cls, name) not in fine or name.endswith("_c")
    ] == []


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
    assert not has_unit("datum"), "the suffix is a whole word"


def with_a_lone_c(tree: ast.AST) -> list[str]:
    names = (
        getattr(node, part, None)
        for node in ast.walk(tree)
        for part in ("id", "arg", "attr", "name")
    )
    return sorted(
        {name for name in names if isinstance(name, str) and re.search(r"[a-z0-9]_c$", name)}
    )


def test_no_lone_c() -> None:
    """Nothing is named with _c for a unit."""
    assert [
        f"{shown}: {name}" for shown, tree in trees().items() for name in with_a_lone_c(tree)
    ] == []


def test_lone_c_rule_can_fail() -> None:
    source = "def f(bath_c): x.y_c = 1; z_c = b_coulombs"
    assert with_a_lone_c(ast.parse(source)) == ["bath_c", "y_c", "z_c"]


# --- imports ------------------------------------------------------------------------------------

PURE = (
    "controller.physics", "controller.planning", "controller.safety.guards",
    "controller.safety.limits",
)  # fmt: skip
"""Packages and modules that compute: they import the standard library and the shared values."""

SHARED = (
    "controller.errors", "controller.figures", "controller.messages", "controller.texts",
    "controller.units",
)  # fmt: skip
"""What everybody may use."""


def imports_of(path: Path) -> set[str]:
    """Return the modules that a file imports when it runs, not those for type checking only."""
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
    return {name for name in imports if name.startswith("controller") and file_of(name).exists()}


def is_of(module: str, packages: tuple[str, ...]) -> bool:
    """Return whether a module is one of the packages or inside one."""
    return any(module == package or module.startswith(f"{package}.") for package in packages)


def test_pure_packages_stay_pure() -> None:
    """They import the standard library, each other and the shared values."""
    modules = [name for name in map(module_of, FILES) if is_of(name, PURE)]
    assert len(modules) > 10
    assert [complaint for name in modules for complaint in impurities(name)] == []


def module_of(path: Path) -> str:
    """Return a source file's module name."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def file_of(module: str) -> Path:
    """Return a module's source file."""
    path = ROOT / module.replace(".", "/")
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


def impurities(name: str) -> list[str]:
    """Return what a module reaches beyond the standard library and what it may use."""
    found = []
    seen: set[str] = set()
    to_look_at = {name}
    while to_look_at:
        module = to_look_at.pop()
        seen.add(module)
        imports = imports_of(file_of(module))
        foreign = {it.split(".")[0] for it in imports} - set(sys.stdlib_module_names)
        foreign -= {"controller"}
        found += [f"{name} reaches {package} through {module}" for package in sorted(foreign)]
        to_look_at |= own_modules(imports) - seen
    impure = {module for module in seen if not is_of(module, (*PURE, *SHARED))} - {name}
    return found + [f"{name} reaches {module}" for module in sorted(impure)]


def test_purity_can_fail() -> None:
    assert any("pydantic" in complaint for complaint in impurities("controller.config"))
    reached = impurities("controller.running.loop")
    assert "controller.running.loop reaches controller.safety.supervisor" in reached


FORBIDDEN = {"controller": {"hardware", "api"}, "hardware": {"api"}, "api": {"hardware"}}
"""Room -> rooms that it does not import."""


COMPOSITION_ROOTS = tuple(
    ROOT / "api" / name for name in ("main.py", "direct.py", "messenger/program.py")
)
"""The daemon's, that of commands without a daemon, and the messenger's, which takes the clock."""


def test_rooms_import_inward() -> None:
    """Only the composition roots of the API see all three."""
    wrong = []
    for path in FILES:
        seen = {name.split(".")[0] for name in imports_of(path)} & FORBIDDEN[
            path.relative_to(ROOT).parts[0]
        ]
        if path not in COMPOSITION_ROOTS:
            wrong += [f"{path.relative_to(ROOT)} imports {room}" for room in sorted(seen)]
    assert wrong == []


# --- the clock ----------------------------------------------------------------------------------

CLOCK = "hardware/clock.py"
READS_A_CLOCK = re.compile(
    r"(datetime\.)?(datetime|date)\.(now|utcnow|today)\(|\btime\.(time|monotonic|perf_counter)"
    r"|\btime\.sleep|\basyncio\.sleep|(?<![\w.])sleep\("
)


def clock_readings(tree: ast.AST) -> list[str]:
    """Return what in a file reads a clock, waits, or imports what does."""
    nodes = list(ast.walk(tree))
    imported = [
        alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names
    ]
    imported += [node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)]
    calls = [ast.unparse(node) for node in nodes if isinstance(node, ast.Call)]
    return [f"import {name}" for name in imported if name == "time"] + [
        call for call in calls if READS_A_CLOCK.match(call)
    ]


def test_only_clock_reads_time() -> None:
    """No other file reads the time, and none sleeps."""
    readings = [
        f"{shown}: {call}"
        for shown, tree in trees().items()
        if shown != CLOCK
        for call in clock_readings(tree)
    ]
    assert readings == []


def test_clock_rule_can_fail() -> None:
    assert len(clock_readings(trees()[CLOCK])) > 1
    assert clock_readings(ast.parse("from time import sleep")) == ["import time"]
    assert READS_A_CLOCK.match("sleep(1)")
    assert READS_A_CLOCK.match("datetime.datetime.now(UTC)")
    assert READS_A_CLOCK.match("date.today()")
    assert not READS_A_CLOCK.match("datetime.combine(a, b)")


# --- size ---------------------------------------------------------------------------------------

LONGEST_LINES = 300
LONG_FOR_A_REASON = {
    "controller/safety/supervisor.py": "the state machine is read in one sitting: off comes first",
    "controller/safety/run.py": "the books of one run, each figure beside those it follows from",
}


def test_long_files_have_reasons() -> None:
    """A file of more than 300 lines needs a reason."""
    long = {
        str(p.relative_to(ROOT))
        for p in FILES
        if len(p.read_text(encoding="utf-8").splitlines()) > LONGEST_LINES
    }
    assert long == set(LONG_FOR_A_REASON)


def test_guards_stay_readable() -> None:
    guards = ROOT / "controller" / "safety" / "guards.py"
    assert len(guards.read_text(encoding="utf-8").splitlines()) <= 150


MOST_FILES = 20
"""Source files in one folder; about 15 are wanted."""

SOURCES = (".py", ".js", ".css", ".html", ".toml", ".sh")


def crowded(paths: list[Path]) -> dict[Path, int]:
    """Return the folders that hold too many of the files."""
    counts = Counter(path.parent for path in paths if path.name != "__init__.py")
    return {folder: count for folder, count in counts.items() if count > MOST_FILES}


def test_folders_stay_small() -> None:
    rooms = (*ROOMS, "tests", "systemd")
    paths = [path for room in rooms for path in (ROOT / room).rglob("*") if path.suffix in SOURCES]
    assert len(paths) > 400
    assert crowded(paths) == {}


def test_crowded_folder_is_found() -> None:
    assert crowded([Path(f"room/{n}.py") for n in range(MOST_FILES + 1)]) == {Path("room"): 21}
