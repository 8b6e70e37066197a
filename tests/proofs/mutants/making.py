"""Makes mutants: one change each, by cosmic-ray's operators or by taking out a statement."""

from __future__ import annotations

import ast
import difflib
import importlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

LEFT_OUT = re.compile(
    r"VariableReplacer|VariableInserter|NoOp"
    r"|ReplaceBinaryOperator_.*_(BitOr|BitAnd|BitXor|RShift|LShift|FloorDiv|Mod|Pow)"
    r"|ReplaceUnaryOperator_(USub|UAdd|Invert|Not)_(Invert|Not)"
    r"|ReplaceComparisonOperator_(Is|IsNot)_(Eq|NotEq|LtE?|GtE?)"
    r"|ReplaceComparisonOperator_(Eq|NotEq|LtE?|GtE?)_(Is|IsNot)"
)
"""Operators that need arguments, and those that mostly make code which raises at once and would
only flatter the count, such as bit operations on floats, or that does the same, such as ``==`` for
``is`` with None and enums."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change. ``diff`` names the place."""

    operator: str
    diff: str
    source: str


class _Bare(ast.NodeTransformer):
    """Takes out annotations: they are strings (PEP 563), so a change in one runs nothing else."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node


def what_runs(source: str) -> str:
    """Return a text that is equal for sources which run the same."""
    return ast.dump(_Bare().visit(ast.parse(source)))


def by_operators(source: str) -> Iterator[tuple[str, str]]:
    """Yield (operator, mutated source) from cosmic-ray."""
    importlib.import_module(
        "parso.python.tree"
    )  # cosmic-ray imports parso's parts in an order that fails by itself
    plugins = importlib.import_module("cosmic_ray.plugins")
    mutate_code = importlib.import_module("cosmic_ray.mutating").mutate_code
    for name in sorted(plugins.operator_names()):
        short = name.rpartition("/")[2]
        if LEFT_OUT.fullmatch(short):
            continue
        occurrence = 0
        while (
            mutated := mutate_code(source, plugins.get_operator(name)(), occurrence)
        ) is not None:
            yield short, mutated
            occurrence += 1


def without_statements(source: str) -> Iterator[tuple[str, str]]:
    """Yield (name, source with one statement of a function replaced by ``pass``)."""
    lines = source.encode().splitlines(keepends=True)
    starts = [sum(map(len, lines[:i])) for i in range(len(lines) + 1)]
    whole = source.encode()
    for function in ast.walk(ast.parse(source)):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            if not isinstance(
                node, ast.Expr | ast.Assign | ast.AugAssign | ast.AnnAssign | ast.Raise | ast.Return
            ):
                continue
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                continue
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
            yield "StatementOut", (whole[:begin] + b"pass" + whole[end:]).decode()


def placeless(diff: str) -> str:
    """Return a diff without its line numbers, which change with every line above."""
    return re.sub(r"(?m)^(\S+\.py:|    )\d+:$", r"\1", diff)


def mutants_of(path: Path, source: str) -> tuple[list[Mutant], int]:
    """Return the mutants that differ from the module and each other, and how many do not."""
    seen, found, same = {what_runs(source)}, [], 0
    for operator, mutated in (*by_operators(source), *without_statements(source)):
        try:
            runs = what_runs(mutated)
        except SyntaxError:
            runs = ""
        if not runs or runs in seen:
            same += 1
            continue
        seen.add(runs)
        changed = difflib.unified_diff(source.splitlines(), mutated.splitlines(), lineterm="", n=0)
        parts = [re.sub(r"^@@ -(\d+).*", r"\1:", line) for line in list(changed)[2:]]
        found.append(Mutant(operator, f"{path.name}:" + "\n    ".join(parts), mutated))
    return found, same
