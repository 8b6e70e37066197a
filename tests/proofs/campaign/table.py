"""The outcomes of the campaign as tables: faults, seconds to off, charge, depth, invariants."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from math import ceil
from typing import Any

from controller.config import LimitSettings
from hardware.rehearsal.faults.slow import SLOW_FAULTS
from tests.proofs.campaign.bounds import EXEMPT_FROM_CHARGE, EXEMPT_FROM_DEPTH
from tests.proofs.campaign.draw import NAMES
from tests.proofs.campaign.invariants import INVARIANTS
from tests.proofs.campaign.rows import reasons

Outcome = dict[str, Any]

IN_CONVERSIONS = ("supply_runaway", "too much current", "short_circuit")
"""Faults whose promise is made in conversions of the chip."""

NOT_ETCHING = {
    *EXEMPT_FROM_CHARGE,
    *EXEMPT_FROM_DEPTH,
    "dendrite_bridge",
    "short_circuit",
    "resist_leak",
}
"""Faults that take charge past the plate or to one part of it; the interval excludes them."""

GRACE_S = LimitSettings().contact_grace_s

LONG_S = 30.0
"""Charge is compared in runs of at least this relay-on time, s.

The ends are uncertain by a poll, which matters in a shorter run.
"""


def quantile(values: Sequence[float], share: float) -> float:
    """Return the smallest value that at least ``share`` of the values do not exceed.

    Raises: IndexError without values.
    """
    return sorted(values)[max(0, ceil(share * len(values)) - 1)]


def spread(values: Sequence[float], form: str = "{:.3f}") -> str:
    """Return p50 / p99 / max."""
    if not values:
        return "- | - | -"
    return " | ".join(form.format(quantile(values, share)) for share in (0.5, 0.99, 1.0))


def faults_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return the lines of the table of faults: how often, how noticed, how soon."""
    lines = [
        "| fault | drawn | relay on | off for its reason | reasons (count) | timed | s p50 | s "
        "p99 | s max | conversions max |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in NAMES:
        drawn = sum(outcome["faults"].count(name) for outcome in outcomes)
        if not drawn:
            continue
        met = [
            (outcome, off) for outcome in outcomes for off in outcome["off"] if off["fault"] == name
        ]
        own = [(outcome, off) for outcome, off in met if off["reason"] in reasons(name)]
        seconds = [off["off_s"] for outcome, off in own if _is_undisturbed(outcome, off, name)]
        counts = Counter(off["reason"] or "none" for _, off in met)
        words = ", ".join(f"{reason} {count}" for reason, count in counts.most_common())
        in_conversions = [
            off["off_s"] / off["conversion_s"]
            for outcome, off in own
            if _is_undisturbed(outcome, off, name)
        ]
        most = f"{max(in_conversions):.2f}" if in_conversions and name in IN_CONVERSIONS else "-"
        counts = f"{drawn} | {len(met)} | {len(own)} | {words or '-'} | {len(seconds)}"
        lines.append(f"| {name} | {counts} | {spread(seconds)} | {most} |")
    return lines


def _is_undisturbed(outcome: Outcome, off: dict[str, Any], name: str) -> bool:
    """Return whether the seconds belong to this fault alone, at the default limits, after grace."""
    is_contact = "lost_contact" in reasons(name)
    return (
        name != "relay_welded"  # it cannot turn off, and shows after the end of the run
        and outcome["faults"] == [name]
        and outcome["default_limits"]
        and outcome["kind"] in ("single", "study")
        and off["at_s"] > 0.0
        and off["is_full"]
        and (not is_contact or off["stretch_s"] >= GRACE_S)
    )


def depth_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Return how often the true depth was in the interval, over plates etched as planned."""
    ends = [
        end
        for outcome in outcomes
        if not NOT_ETCHING & set(outcome["faults"])
        for end in outcome["ended"][-1:]
        if end["counted_coulombs"] > 1.0
    ]
    if not ends:
        return []
    inside = sum(end["low_mm"] <= end["true_mm"] <= end["high_mm"] for end in ends)
    above = sum(end["true_mm"] > end["high_mm"] for end in ends)
    share = 100.0 * inside / len(ends)
    return [
        f"True depth within the interval: {inside} of {len(ends)} plates ({share:.1f} %), above "
        f"it {above}, below it "
        f"{len(ends) - inside - above}."
    ]


def charge_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Return how far counted and true charge lay apart in runs without a gap."""
    errors = [
        100.0 * abs(end["counted_coulombs"] / end["true_coulombs"] - 1.0)
        for outcome in outcomes
        if not outcome["exempt_charge"]
        and not set(EXEMPT_FROM_CHARGE) & set(outcome["faults"])
        and outcome["on_s"] >= LONG_S
        for end in outcome["ended"][-1:]
        if end["uncertain_coulombs"] == 0.0 and end["true_coulombs"] > 1.0
    ]
    if not errors:
        return []
    p50, p99, most = (quantile(errors, share) for share in (0.5, 0.99, 1.0))
    return [
        f"Charge error of {len(errors)} runs of {LONG_S:g} s and more without a gap: p50 "
        f"{p50:.3f} %, p99 {p99:.3f} %, max "
        f"{most:.3f} %."
    ]


def invariants_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return how often each invariant was looked at and how often it did not hold."""
    checked: Counter[str] = Counter()
    failed: Counter[str] = Counter()
    for outcome in outcomes:
        checked.update(outcome["checked"])
        failed.update(text[1 : text.index("]")] for text in outcome["violations"])
    lines = ["| invariant | looked at | violated |", "|---|---|---|"]
    return lines + [
        f"| {words} | {checked[name]:,} | {failed[name]} |" for name, words in INVARIANTS.items()
    ]


def kinds_line(outcomes: Sequence[Outcome]) -> str:
    """Return what was run, in one line."""
    kinds = Counter(outcome["kind"] for outcome in outcomes)
    words = ", ".join(f"{kind} {count}" for kind, count in kinds.most_common())
    hours = sum(outcome["virtual_s"] for outcome in outcomes) / 3600.0
    passes = sum(outcome["passes"] for outcome in outcomes)
    return f"{len(outcomes):,} runs ({words}), {hours:.1f} h of virtual time, {passes:,} passes."


def violation_lines(outcomes: Iterable[Outcome]) -> list[str]:
    """Return every violation with what is needed to repeat its run."""
    return [
        f"run {outcome['number']} ({outcome['kind']}; "
        f"{', '.join(outcome['faults']) or 'no fault'}): {text}"
        for outcome in outcomes
        for text in outcome["violations"]
    ]


def study_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return false trips and warnings, and the slow faults noticed, by supply mode."""
    lines = [
        "| what | supply | runs | off for it | share, 95 % interval | only warned | off for "
        "others | s p50 | s p99 | s max |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in (None, *SLOW_FAULTS):
        for mode in ("constant-current", "constant-voltage"):
            faults = [] if name is None else [name]
            lines += _study_row(
                name, mode, [o for o in outcomes if o["faults"] == faults and o["mode"] == mode]
            )
    return lines


def _study_row(name: str | None, mode: str, outcomes: Sequence[Outcome]) -> list[str]:
    if name is not None:
        outcomes = [outcome for outcome in outcomes if outcome["off"]]
    if not outcomes:
        return []
    known = None if name is None else reasons(name)
    seen = [
        o
        for o in outcomes
        if (o["reason"] is not None if name is None else _reason(o) in (known or ()))
    ]
    warned = sum(bool(o["warnings"]) for o in outcomes if o not in seen)
    others = Counter(o["reason"] for o in outcomes if o not in seen and o["reason"] is not None)
    other = ", ".join(f"{reason} {count}" for reason, count in others.most_common()) or "0"
    seconds = [] if name is None else [o["off"][0]["off_s"] for o in seen]
    low, high = binomial_interval(len(seen), len(outcomes))
    share = f"{100 * len(seen) / len(outcomes):.1f} % ({100 * low:.1f} to {100 * high:.1f} %)"
    what = "no fault (false alarm)" if name is None else name
    return [
        f"| {what} | {mode} | {len(outcomes)} | {len(seen)} | {share} | {warned} | {other} | "
        f"{spread(seconds, '{:.1f}')} |"
    ]


def _reason(outcome: Outcome) -> str | None:
    return outcome["off"][0]["reason"] if outcome["off"] else None


def binomial_interval(count: int, of: int) -> tuple[float, float]:
    """Return the exact two-sided 95 % interval of a share, one-sided at 0 and at all (0 of n: the
    rule of three, about 3 / n).

    Source: Clopper, Pearson, Biometrika 26 (1934); rule of three: 1 - 0.05 ** (1 / n).
    """
    tail = 0.05 if count in (0, of) else 0.025
    low = 0.0 if count == 0 else _solve(lambda p: _at_least(count, of, p), tail)
    high = 1.0 if count == of else _solve(lambda p: _at_least(count + 1, of, p), 1.0 - tail)
    return low, high


def _at_least(count: int, of: int, share: float) -> float:
    from scipy.stats import binom

    return float(binom.sf(count - 1, of, share))


def _solve(rising: Any, level: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < level else (low, middle)
    return 0.5 * (low + high)
