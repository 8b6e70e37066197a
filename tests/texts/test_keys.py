"""Every key in the code exists in the catalogue, with exactly the values that the code gives.

Keys written as literals are looked at, in ``Message(...)``, ``text(...)`` and the errors. A first
argument with a space in it is a sentence that has not moved into the catalogue yet.
"""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from controller.messages import UNIT_SUFFIXES, RunState, SourceKind, TripReason
from controller.safety.limits import RULES
from controller.texts import CATALOGUE
from tests.paths import ROOT

FILES = [path for room in ("controller", "hardware", "api") for path in (ROOT / room).rglob("*.py")]
KEY = re.compile(r"[a-z_]+(\.[a-z0-9_]+)+")
SPEAKERS = frozenset({"Message", "text", "text_or_none"})
NOT_VALUES = frozenset({"field", "kind", "limit"})
"""Arguments of errors that are no values of the sentence."""


@dataclass(frozen=True)
class Use:
    """A key where it is used; ``values`` is None where the code does not spell them out."""

    place: str
    key: str
    values: frozenset[str] | None


def fields_of(key: str) -> frozenset[str] | None:
    """Return the values that a sentence names, its limit's included; None without the sentence."""
    file, _, rest = key.partition(".")
    part = CATALOGUE.part(file)
    forms = [part[name] for name in (rest, f"{rest}.one", f"{rest}.many") if name in part]
    if not forms:
        return None
    forms += [part[name] for name in (f"{rest}_limit",) if name in part]
    return frozenset(
        name for form in forms for _, name, _, _ in string.Formatter().parse(form) if name
    )


def not_values(error: str) -> frozenset[str]:
    """Return the arguments of an error that its sentence does not name: kind of one alone."""
    return NOT_VALUES if error == "ApiRefusedError" else NOT_VALUES - {"kind"}


def dict_keys(node: ast.expr | None, known: dict[str, ast.expr]) -> frozenset[str] | None:
    if node is None:
        return frozenset()
    if isinstance(node, ast.Name) and node.id in known:
        node = known[node.id]
    if isinstance(node, ast.Dict) and all(isinstance(key, ast.Constant) for key in node.keys):
        return frozenset(str(key.value) for key in node.keys if isinstance(key, ast.Constant))
    return None


def uses_in(tree: ast.AST, name: str) -> Iterator[Use]:
    known = {
        target.id: node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name)
    }
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and node.args and isinstance(node.func, ast.Name)):
            continue
        first = node.args[0]
        is_error = node.func.id.endswith("Error")
        if not (is_error or node.func.id in SPEAKERS) or not isinstance(first, ast.Constant):
            continue
        if not (isinstance(first.value, str) and KEY.fullmatch(first.value)):
            continue
        if node.func.id == "Message":
            values = dict_keys(node.args[1] if len(node.args) > 1 else None, known)
        elif any(keyword.arg is None for keyword in node.keywords):
            values = None
        else:
            values = frozenset(k.arg for k in node.keywords if k.arg) - (
                not_values(node.func.id) if is_error else frozenset()
            )
            if node.func.id == "ApiRefusedError":
                values -= {"kind"}  # the problem's type, no value of the sentence
        yield Use(f"{name}:{node.lineno}", first.value, values)


def findings_in(tree: ast.AST, name: str) -> Iterator[Use]:
    """Return the sentences of the findings that the code makes with literal reasons."""
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
            continue
        reason = node.args[0] if node.func.id == "Finding" and node.args else None
        if not (isinstance(reason, ast.Attribute) and reason.attr in TripReason.__members__):
            continue
        given = dict(zip(("reason", "value", "limit", "unit", "case"), node.args, strict=False))
        given |= {keyword.arg: keyword.value for keyword in node.keywords if keyword.arg}
        unit, case = given.get("unit"), given.get("case")
        suffix = UNIT_SUFFIXES[unit.value] if isinstance(unit, ast.Constant) else ""
        values = {"cause"} & set(given)
        for part in ("value", "limit"):
            if part in given and ast.unparse(given[part]) != "None":
                values.add(f"{part}_{suffix}")
        sentence = case.value if isinstance(case, ast.Constant) else "what"
        table = TripReason[reason.attr].value
        yield Use(f"{name}:{node.lineno}", f"guards.{table}.{sentence}", frozenset(values))


def of_rules() -> Iterator[Use]:
    for rule in RULES:
        values = {f"value_{UNIT_SUFFIXES[rule.unit]}", f"limit_{UNIT_SUFFIXES[rule.unit]}"}
        key = f"guards.{rule.reason.value}.{rule.case}"
        yield Use("limits.py", key, frozenset(values))


@cache
def all_uses() -> tuple[Use, ...]:
    uses = [*of_rules()]
    for path in FILES:
        tree, name = ast.parse(path.read_text(encoding="utf-8")), str(path.relative_to(ROOT))
        uses += [*uses_in(tree, name), *findings_in(tree, name)]
    return tuple(uses)


def flaw_of(use: Use) -> str | None:
    """Return what is wrong with a key where it is used, or None."""
    named = fields_of(use.key)
    if named is None:
        return f"{use.place} {use.key}: no such sentence"
    given = use.values if use.values is None else use.values - ({"count"} - named)
    if given is None or given == named:
        return None
    return f"{use.place} {use.key}: {sorted(given)} are given, {sorted(named)} are named"


def test_keys_exist_with_values() -> None:
    """Every key that is used has its sentence, which names exactly the values that are given."""
    assert len(all_uses()) > 350
    flaws = [flaw for use in all_uses() if (flaw := flaw_of(use)) is not None]
    assert not flaws, "\n".join(flaws)


def test_every_sentence_is_used() -> None:
    """Texts of the safety path: a sentence without a user is a sentence that no test checks."""
    used = {use.key for use in all_uses()} | {"guards.finding"}
    used |= {f"supervisor.possible.{state.value}" for state in RunState}
    used |= {f"supervisor.source.{kind.value}" for kind in SourceKind}
    used |= {  # chosen by a table in supervisor.py
        f"supervisor.{name}"
        for name in ("state.stopped", "state.stopped_by_button", "command.stop")
    }
    used |= {"supervisor.command.stop_button", "supervisor.check.passed", "supervisor.check.failed"}
    tables = r"guards\.\w+\.(title|advice|noticed\.\w+|seconds_to_off\.\w+)"
    for file in ("guards", "supervisor"):
        for rest in CATALOGUE.part(file):
            key = f"{file}.{rest}"
            assert key in used or re.fullmatch(tables, key), key


def test_it_can_fail() -> None:
    source = """
Message("guards.no_such.what")
Message("guards.warning.bath_warm", {"warn_degc": 1.0})
SensorError("guards.controller_fault.exception", kind="x")
Finding(TripReason.OVER_VOLTAGE, 1.0, None, "V")
Finding(TripReason.OVER_VOLTAGE, 1.0, 2.0, "A")
SensorError("The sensor does not answer.")
"""
    tree = ast.parse(source)
    flaws = [flaw_of(use) for use in [*uses_in(tree, "a.py"), *findings_in(tree, "a.py")]]
    assert len(flaws) == 5, "the ready sentence is left out"
    assert None not in flaws
