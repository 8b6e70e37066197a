"""The invariants of every run of the campaign, and a ledger of checks and violations."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

INVARIANTS = {
    "state": "the relay is on in running and in no other state",
    "fresh": "the relay is on with a sample no older than its limit and one beat of the age watch",
    "asked": "the relay turns on out of a check that somebody asked for, once for each time",
    "moves": "the state changes by the table of states, or by a trip",
    "latched": "the first reason stays until a person acknowledges it",
    "in_time": "what breaks a limit is off within its row's seconds",
    "stop": "Stop and the end of the service turn off in the same instant",
    "answers": "each command is answered within one pass, by yes or by a refusal",
    "charge": "counted <= true <= counted + uncertain charge, within the stated tolerance",
    "depth": "the plate is no deeper than the target with the interval's upper end allows",
    "target": "a run ends no later than one conversion behind the charge of its target",
    "book": "the logbook opens, is sound, complete, and says what the run says",
    "end": "the relay is off when a process begins and after it has ended",
    "quiet": "no pass fails, nothing is logged as failed",
    "row": "a single fault at the default limits ends as its row says: seconds, reason, state",
}
"""Each can be seen to fail in tests/proofs/test_campaign_slice.py."""

MOST_NOTED = 8
"""Number of violations kept of each run, besides the first of every other invariant."""


@dataclass(kw_only=True)
class Ledger:
    """How often each invariant was looked at, and each time that it did not hold."""

    checked: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)

    def must(self, name: str, holds: bool, text: str | Callable[[], str]) -> None:
        """Check an invariant; ``text`` is the violation. Raises: KeyError for an unknown name."""
        self.checked[name] += 1
        if not holds:
            self.fail(name, text if isinstance(text, str) else text())

    def fail(self, name: str, text: str) -> None:
        """Note a violation."""
        assert name in INVARIANTS
        if len(self.violations) < MOST_NOTED or not any(
            noted.startswith(f"[{name}]") for noted in self.violations
        ):
            self.violations.append(f"[{name}] {self.stamp()}{text}")

    def stamp(self) -> str:
        """Return when it is, for the violation's text."""
        return ""
