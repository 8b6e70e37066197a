"""The table of faults in controller/README.md: the only source of the campaign's limits."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from tests.paths import ROOT

FAULTS_PAGE = ROOT / "controller" / "README.md"
MEASURED_PAGE = ROOT / "tests" / "README.md"

POLL_S = 0.02
"""The default poll period, s. Another one shifts the rows by the difference of two polls."""

SHIFTED_BY = {
    "lead_off": ("lost_contact_s",),
    "supply_lost": ("lost_contact_s",),
    "plate_lifted": ("lost_contact_s",),
    "weak contact": ("weak_contact_s",),
    "bus_stuck": ("max_sample_age_s",),
    "sample_stuck": ("max_sample_age_s",),
    "relay_welded": ("welded_after_s",),
}
"""Settings that are part of a row's seconds; another value moves the row by the difference."""


@dataclass(frozen=True)
class Row:
    """One line of the table.

    :param worst_s: seconds to off, or None where the table gives none.
    """

    fault: str
    size: str
    reasons: frozenset[str]
    ends: str
    worst_s: float | None


@cache
def table() -> tuple[Row, ...]:
    """Return all rows of the table of faults."""
    lines = FAULTS_PAGE.read_text(encoding="utf-8").splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith("| fault | size |"))
    found = []
    for line in lines[begin + 2 :]:
        if not line.startswith("|"):
            break
        cells = [cell.strip() for cell in line.split("|")[1:-1]]
        seconds = re.search(r"(?<![\w.])\d+(\.\d+)?", cells[5])
        reasons = frozenset(reason.strip() for reason in cells[3].split(",")) - {"none"}
        worst_s = None if seconds is None or "systemd" in cells[5] else float(seconds[0])
        found.append(Row(cells[0], cells[1], reasons, cells[4].split(",")[0], worst_s))
    return tuple(found)


def rows(fault: str) -> tuple[Row, ...]:
    """Return the rows of a fault. Raises: KeyError when it has none."""
    found = tuple(row for row in table() if row.fault == fault)
    if not found:
        raise KeyError(f"{fault} has no row in the table of faults")
    return found


def worst_s(fault: str) -> float:
    """Return the largest seconds to off of a fault's rows."""
    return max(row.worst_s for row in rows(fault) if row.worst_s is not None)


def reasons(fault: str) -> frozenset[str]:
    """Return the reasons that a fault's rows name."""
    return frozenset().union(*(row.reasons for row in rows(fault)))


def measured() -> dict[str, tuple[float, float, float]]:
    """Return p50, p99 and largest seconds to off of each fault, as the campaign measured them."""
    text = (
        MEASURED_PAGE.read_text(encoding="utf-8")
        .split("<!-- campaign -->")[1]
        .split("<!-- /campaign -->")[0]
    )
    lines = iter(text.splitlines())
    header = next(line for line in lines if line.startswith("| fault |"))
    columns = [cell.strip() for cell in header.split("|")[1:-1]]
    at = [columns.index(name) for name in ("s p50", "s p99", "s max")]
    found = {}
    for line in lines:
        if not line.startswith("|"):
            break
        cells = [cell.strip() for cell in line.split("|")[1:-1]]
        if re.fullmatch(r"[0-9.]+", cells[at[0]]):
            found[cells[0]] = (float(cells[at[0]]), float(cells[at[1]]), float(cells[at[2]]))
    return found
