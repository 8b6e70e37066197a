"""Mutation testing of the page: break a JavaScript module in one place, run its node tests.

``python -m tests.proofs.mutants_page [MODULE...] [--json FILE] [--jobs N]`` works on copies. There
is no parser of JavaScript here: mutants are made token by token. Texts, comments and imports stay
as they are.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path

from tests.kits.page.modules import MODULES, TESTS, copy_modules
from tests.paths import ROOT

LEAST = 0.90
MOST_CPU_S = 20
"""A mutant that runs in a circle is ended; the tests of a module take well under a second."""

SAME = {
    "live": {
        "this.openedAt = 0;": "set before it is read",
        "this.hiddenTimer = null;": "cleared timers that never were do nothing",
        "this.source = null;": "a closed stream may be closed again",
        "this.messages = 0;": "only compared with itself",
        "this.messages += 1;": "only compared with itself",
    },
    "stop": {
        "let attempt = 0;": "only compared with itself",
        "attempt += 1;": "only compared with itself",
        "let isPassing = true;": "before the first answer there is nothing to hide",
    },
    "announcer": {
        "if (status.depth_mm === null || !status.target_depth_mm) return 0;": "0 and null divide",
    },
    "curve_data": {"if (onTimeS <= this.lastS) return false;": "follow() has asked before"},
    "numbers": {
        "const grouped = whole.length > 4": "no length lies between 4 and 4.4",
        "return value < 0 &&": "0 gets no sign by the other half",
    },
}
"""Lines of which a surviving mutant does the same as the original, with the reason. Their survivors
are counted apart; a mutant of these lines that dies is counted as killed."""

TOKEN = re.compile(
    r"""
    (?P<comment>//[^\n]*|/\*.*?\*/)
    | (?P<text>"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*')
    | (?P<space>\s+)
    | (?P<number>\d[\d_]*(?:\.\d+)?(?:e-?\d+)?)
    | (?P<name>[A-Za-z_$][\w$]*)
    | (?P<sign>===|!==|=>|\?\?=|\|\|=|\.\.\.|\?\.|\*\*|<=|>=|&&|\|\||\?\?|[-+*/]=|\+\+|--|.)
    """,
    re.X | re.S,
)
REGEX = re.compile(r"/(?![*/])(?:\\.|\[(?:\\.|[^\]\\\n])*\]|[^/\\\n\[])+/[a-z]*")
BEFORE_REGEX = {"(", ",", "=", ":", "[", "!", "&&", "||", "?", "{", "}", ";", "=>", "return", "??"}

SIGNS = {
    "===": ("!==",),
    "!==": ("===",),
    "<": ("<=", ">="),
    "<=": ("<", ">"),
    ">": (">=", "<="),
    ">=": (">", "<"),
    "+": ("-",),
    "-": ("+",),
    "*": ("/",),
    "/": ("*",),
    "%": ("*",),
    "**": ("*",),
    "+=": ("-=",),
    "-=": ("+=",),
    "&&": ("||",),
    "||": ("&&",),
    "??": ("&&",),
}
NAMES = {"true": "false", "false": "true", "floor": "round", "round": "floor"}
SWAPPED = (
    ("low", "high"),
    ("left", "right"),
    ("width", "height"),
    ("min", "max"),
    ("first", "second"),
    ("x", "y"),
    ("x1", "x2"),
    ("y1", "y2"),
    ("surface", "back"),
    ("depth", "current"),
    ("current", "voltage"),
    ("least", "most"),
    ("value", "limit"),
    ("before", "after"),
    ("area", "edge"),
    ("deep", "under"),
    ("minutes", "seconds"),
)


@dataclass(frozen=True, slots=True)
class Token:
    kind: str
    text: str
    begin: int

    @property
    def end(self) -> int:
        return self.begin + len(self.text)


@dataclass(frozen=True, slots=True)
class Mutant:
    line: int
    was: str
    is_now: str
    source: str

    def is_same(self, module: str) -> bool:
        is_uncounted = "+=" in self.was and self.is_now == repr(";")
        return not is_uncounted and any(line in self.was for line in SAME.get(module, {}))

    def __str__(self) -> str:
        return f"{self.line}: {self.was} -> {self.is_now}"


@dataclass(slots=True)
class Tally:
    """What became of a module's mutants. Those that do not parse are not counted."""

    module: str
    mutants: int = 0
    killed: int = 0
    same: int = 0
    survivors: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        return self.killed / self.mutants if self.mutants else 1.0


# --- tokens -----------------------------------------------------------------------------------


def tokens_of(source: str) -> list[Token]:
    """Return the tokens of a module; the code inside of a template's ``${}`` is code too."""
    found: list[Token] = []
    _read(source, 0, found, closing=None)
    return found


def _read(source: str, at: int, found: list[Token], closing: str | None) -> int:
    """Read up to a closing brace, or to the end; return where it stopped."""
    depth = 0
    while at < len(source):
        if source[at] == "`":
            at = _read_template(source, at, found)
            continue
        last = next((t.text for t in reversed(found) if t.kind not in ("space", "comment")), ";")
        regex = REGEX.match(source, at) if last in BEFORE_REGEX else None
        if regex is not None:
            found.append(Token("text", regex[0], at))
            at = regex.end()
            continue
        token = TOKEN.match(source, at)
        assert token is not None, source[at : at + 20]
        if token[0] == closing and depth == 0:
            return at
        depth += {"{": 1, "}": -1}.get(token[0], 0)
        found.append(Token(str(token.lastgroup), token[0], at))
        at = token.end()
    return at


def _read_template(source: str, at: int, found: list[Token]) -> int:
    begin, at = at, at + 1
    while source[at] != "`":
        if source.startswith("${", at):
            found.append(Token("text", source[begin : at + 2], begin))
            begin = at = _read(source, at + 2, found, closing="}")
        at += 2 if source[at] == "\\" else 1
    found.append(Token("text", source[begin : at + 1], begin))
    return at + 1


# --- mutants ----------------------------------------------------------------------------------


def numbers(text: str) -> set[str]:
    """Return a number's neighbours, and what is a tenth longer.

    A tenth of a small whole number is lost where it counts digits, so it has its neighbours only.
    """
    value = float(text.replace("_", ""))
    found = {f"{value + 1:.12g}", f"({value - 1:.12g})"}
    return found if text.isdigit() and value < 10 else found | {f"{value * 1.1:.12g}"}


def names(text: str) -> set[str]:
    """Return a name with a word in it for another: depth_low_mm, depth_high_mm."""
    found = {NAMES[text]} if text in NAMES else set()
    words = re.split(r"(_|(?<=[a-z])(?=[A-Z]))", text)
    for one, other in (*SWAPPED, *((b, a) for a, b in SWAPPED)):
        for i, word in enumerate(words):
            if word.lower() == one:
                new = other.capitalize() if word[0].isupper() else other
                found.add("".join([*words[:i], new, *words[i + 1 :]]))
    return found


def by_token(source: str) -> Iterator[tuple[int, int, str]]:
    """Yield (begin, end, replacement)."""
    seen = [t for t in tokens_of(source) if t.kind not in ("space", "comment")]
    imported = [m.span() for m in re.finditer(r"^import [^;]*;", source, re.M)]
    for before, token, after in zip([None, *seen], seen, [*seen[1:], None], strict=False):
        if any(begin <= token.begin < end for begin, end in imported):
            continue
        beside = {side.kind for side in (before, after) if side is not None}
        instead: set[str] = set()
        if token.kind == "sign" and not (token.text == "+" and "text" in beside):
            instead = set(SIGNS.get(token.text, ()))
            if token.text == "!":
                instead = {""}
        elif token.kind == "number":
            instead = numbers(token.text)
        elif token.kind == "name":
            instead = names(token.text)
        for text in sorted(instead):
            yield token.begin, token.end, text


def by_statement(source: str) -> Iterator[tuple[int, int, str]]:
    """Yield statements of one line taken out, returns without their value, turned conditions."""
    at = 0
    for line in source.splitlines(keepends=True):
        code = line.strip()
        begin = at + len(line) - len(line.lstrip())
        condition = re.match(r"(?:\} else )?(?:if|while) \(", code)
        if condition:
            close = _closing(code, condition.end())
            if close is not None:
                inner = code[condition.end() : close]
                yield begin + condition.end(), begin + close, f"!({inner})"
                rest = code[close + 1 :].strip()
                if rest.endswith(";") and _is_whole(rest):
                    yield begin + close + 1, begin + len(code), ";"
        elif returned := re.match(r"return (.+);$", code):
            if _is_whole(code):
                yield begin + returned.start(1), begin + returned.end(1), "undefined"
        elif (
            code.endswith(";")
            and _is_whole(code)
            and not re.match(r"(import|export|const|let|//|\*|static|\.|[)}\]]|[\"'`?:+|&])", code)
        ):
            yield begin, begin + len(code), ";"
        at += len(line)


def _closing(code: str, at: int) -> int | None:
    depth = 1
    for i in range(at, len(code)):
        depth += {"(": 1, ")": -1}.get(code[i], 0)
        if depth == 0:
            return i
    return None


def _is_whole(code: str) -> bool:
    bare = "".join(t.text for t in tokens_of(code) if t.kind != "text") if "`" not in code else code
    return all(bare.count(a) == bare.count(b) for a, b in ("()", "[]", "{}"))


def mutants_of(source: str) -> list[Mutant]:
    """Return the mutants of a module, each one once."""
    found: dict[str, Mutant] = {}
    for begin, end, text in (*by_token(source), *by_statement(source)):
        mutated = source[:begin] + text + source[end:]
        line = source.count("\n", 0, begin) + 1
        around = source.splitlines()[line - 1].strip()
        was = f"{source[begin:end]!r} in {around!r}"
        found.setdefault(mutated, Mutant(line, was, repr(text), mutated))
    return list(found.values())


# --- running ----------------------------------------------------------------------------------


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))


def _path(folder: Path, name: str, there: Path) -> Path:
    """Return where a file of that name is in the copy, relative to the copy."""
    return next((there / folder).rglob(name)).relative_to(there)


def attempt(there: Path, module: str) -> subprocess.CompletedProcess[str]:
    """Run one module's tests in the copy; node runs a test file by itself."""
    return subprocess.run(
        ["node", str(_path(TESTS, f"{module}.test.js", there))],
        cwd=there,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=_bounded,
    )


def judge(there: Path, module: str) -> Tally:
    """Try all mutants of a module."""
    path = there / _path(MODULES, f"{module}.js", there)
    source = path.read_text(encoding="utf-8")
    whole = attempt(there, module)
    if whole.returncode != 0:
        raise SystemExit(f"{module}: the tests fail without a mutation\n{whole.stdout}")
    tally = Tally(module)
    for mutant in mutants_of(source):
        path.write_text(mutant.source, encoding="utf-8")
        done = attempt(there, module)
        if "SyntaxError" in done.stderr + done.stdout:
            continue
        if done.returncode == 0 and mutant.is_same(module):
            tally.same += 1
            continue
        tally.mutants += 1
        if done.returncode == 0:
            tally.survivors.append(str(mutant))
        else:
            tally.killed += 1
    path.write_text(source, encoding="utf-8")
    return tally


def judge_in_a_copy(module: str) -> Tally:
    """Try all mutants of a module in a separate copy, and print the survivors."""
    with tempfile.TemporaryDirectory(prefix="mutants-page-") as scratch:
        there = Path(scratch)
        copy_modules(there)
        tally = judge(there, module)
    for survivor in tally.survivors:
        print(f"{module}.js:{survivor}", flush=True)
    print(f"{module}: {tally.killed} of {tally.mutants}", flush=True)
    return tally


def table(tallies: list[Tally]) -> str:
    """Return the table in Markdown."""
    lines = ["| module | mutants | killed | share | the same |", "|---|---|---|---|---|"]
    lines += [
        f"| {t.module} | {t.mutants} | {t.killed} | {100 * t.share:.1f} % | {t.same} |"
        for t in tallies
    ]
    return "\n".join(lines)


def main() -> int:
    """Judge modules in a copy."""
    files = sorted((ROOT / TESTS).rglob("*.test.js"))
    known = [path.name.removesuffix(".test.js") for path in files]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=f"of {', '.join(known)}")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the result there")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="modules side by side")
    given = parser.parse_args()
    if unknown := set(given.modules) - set(known):
        parser.error(f"no such module: {', '.join(sorted(unknown))}")
    with ThreadPoolExecutor(given.jobs) as pool:
        tallies = list(pool.map(judge_in_a_copy, given.modules or known))
    print(table(tallies))
    if given.json is not None:
        given.json.parent.mkdir(parents=True, exist_ok=True)
        rows = [asdict(tally) for tally in tallies]
        given.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    return int(any(tally.share < LEAST for tally in tallies))


if __name__ == "__main__":
    sys.exit(main())
