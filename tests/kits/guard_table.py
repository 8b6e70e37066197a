"""The table of guards in controller/README.md, made from the rules, the settings and the texts.

``python -m tests.kits.guard_table`` writes it; tests/safety/test_guard_table.py compares it.
"""

from __future__ import annotations

import string

from controller.config import LimitSettings, Settings
from controller.messages import TripReason
from controller.safety.limits import RULES
from controller.safety.reasons import PAUSES, RESUMABLE
from controller.texts import CATALOGUE
from controller.texts.catalogue import filled
from tests.paths import ROOT

README = ROOT / "controller" / "README.md"
BEGIN = "<!-- guards: python -m tests.kits.guard_table -->"
END = "<!-- end of guards -->"
HEAD = (
    "| reason | noticed (at the default settings) | settings | ends in | carry on "
    "| seconds to off |",
    "|---|---|---|---|---|---|",
)


def cases() -> list[tuple[TripReason, str]]:
    """Return reasons and their cases: the rules in the order of judgement, then all others."""
    found = [(rule.reason, rule.case) for rule in RULES]
    for key in CATALOGUE.part("guards"):
        reason, noticed, case = (*key.split("."), "", "")[:3]
        if noticed == "noticed" and (TripReason(reason), case) not in found:
            found.append((TripReason(reason), case))
    return found


def row(reason: TripReason, case: str) -> str:
    """Return one row of the table."""
    part, settings = CATALOGUE.part("guards"), LimitSettings().model_dump()
    rig = Settings()  # without a setting the data sheet's offset counts
    settings["max_zero_offset_v"] = rig.max_zero_offset_a * rig.rig.shunt_ohm
    noticed = part[f"{reason.value}.noticed.{case}"]
    names = dict.fromkeys(name for _, name, _, _ in string.Formatter().parse(noticed) if name)
    cells = (
        reason.value,
        filled(noticed, settings),
        ", ".join(f"`{name}`" for name in names) or "-",
        "paused, with a question" if reason in PAUSES else "tripped",
        "yes" if reason in RESUMABLE else "no",
        part[f"{reason.value}.seconds_to_off.{case}"],
    )
    return f"| {' | '.join(cells)} |"


def table() -> str:
    """Return the section between the markers, markers included."""
    rows = (row(reason, case) for reason, case in cases())
    return "\n".join((BEGIN, "", *HEAD, *rows, "", END))


def section_of(text: str) -> str:
    """Return the section of a README, markers included."""
    return text[text.index(BEGIN) : text.index(END) + len(END)]


def main() -> None:
    """Write the section into the README."""
    text = README.read_text(encoding="utf-8")
    README.write_text(text.replace(section_of(text), table()), encoding="utf-8")


if __name__ == "__main__":
    main()
