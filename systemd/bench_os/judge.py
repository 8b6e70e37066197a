"""Judges the levels that the guest reported: one row for each scene, right or wrong."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

Kind = Literal["off", "high", "low"]


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the line must do in a scene.

    :param kind: "off": high before, low within ``within_s`` of the act and for the rest of the
        scene; "high" and "low": that level all the time.
    :param answer: the answer that the act must give, None if any answer will do.
    :param state: state of the run that the daemon must report afterwards, None if any will do.
    """

    kind: Kind
    within_s: float | None = None
    answer: Any = None
    state: str | None = None


EXPECTED: dict[str, Expectation] = {
    "boot": Expectation("low", state="idle"),
    "run": Expectation("high"),
    "force-off while the service holds the pin": Expectation("high", answer={"status": 1}),
    "install.sh in a run": Expectation("high", answer={"status": 1}),
    "Stop by the API": Expectation("off", 1.0, answer="stopped"),
    "SIGTERM": Expectation("off", 1.0, state="interrupted"),
    "SIGKILL": Expectation("off", 1.0, state="interrupted"),
    "watchdog (SIGSTOP)": Expectation("off", 6.0, state="interrupted"),
    "SIGKILL, the kernel alone": Expectation("off", 1.0),
    "systemctl stop": Expectation("off", 1.0, answer=0),
    "force-off by hand, service stopped": Expectation("low", answer={"status": 0}),
    "start with a broken configuration": Expectation("low"),
    "reboot": Expectation("off", 1.0),
    "boot after the reboot in a run": Expectation("low", state="interrupted"),
}
"""Limits: systemd/README.md, "How long until off" and the acceptance list. "At once" is 1 s."""

BLIND_S = 1.0
"""Longest time between two reports of the watcher, s: beyond it the line was not watched."""


@dataclass(frozen=True, slots=True)
class Row:
    """What was seen in a scene.

    :param off_after_s: from the act to the last fall of the line, s; None when it did not fall.
    :param watched_s: how long the line was watched after the act, s.
    """

    scene: str
    expected: str
    off_after_s: float | None
    watched_s: float | None
    problems: tuple[str, ...]
    after: Any = None


def parse(lines: Iterable[str]) -> list[dict[str, Any]]:
    """Return the events in the guest's report, without lines that are cut short."""
    events = []
    for line in lines:
        try:
            event = json.loads(line)
        except ValueError:
            continue
        if isinstance(event, dict) and {"kind", "boot"} <= event.keys():
            events.append(event)
    return events


def judge(events: list[dict[str, Any]]) -> list[Row]:
    """Return one row for each expected scene, also for one that was not played."""
    return [_row(name, expectation, events) for name, expectation in EXPECTED.items()]


def _row(name: str, expectation: Expectation, events: list[dict[str, Any]]) -> Row:
    text = (
        f"off within {expectation.within_s:g} s"
        if expectation.kind == "off"
        else f"{expectation.kind} throughout"
    )
    act = next(
        (event for event in events if event["kind"] == "act" and event["name"] == name), None
    )
    if act is None:
        return Row(name, text, None, None, ("not played",))
    end = next(
        (event for event in events if event["kind"] == "end" and event["name"] == name), None
    )
    from_boot = name.startswith("boot")
    begin_s = 0.0 if from_boot else act["at_s"]
    seen = [
        event
        for event in events
        if event["boot"] == act["boot"] and event["kind"] in ("level", "watching")
    ]
    within = [
        event
        for event in seen
        if begin_s <= event["at_s"] and (end is None or event["at_s"] <= end["at_s"])
    ]
    before = [event for event in seen if event["at_s"] < begin_s]
    if not within or not (before or from_boot):
        return Row(name, text, None, None, ("the line was not watched",))
    problems = _gaps(before[-1:] + within)
    if end is None and name != "reboot":
        problems.append("the scene did not end")
    off_after_s = None
    if expectation.kind == "off":
        off_after_s, wrong = _off(before[-1], within, begin_s, expectation.within_s or 0.0)
        problems += wrong
    else:
        wanted = expectation.kind == "high"
        wrong_at = [
            event["at_s"] - begin_s for event in before[-1:] + within if event["high"] is not wanted
        ]
        if wrong_at:
            problems.append(f"{'low' if wanted else 'high'} {wrong_at[0]:.3f} s after the act")
    if end is not None:
        problems += _answers(expectation, end)
    return Row(
        name,
        text,
        off_after_s,
        within[-1]["at_s"] - begin_s,
        tuple(problems),
        end and (end["after"] or end["answer"]),
    )


def _off(
    before: dict[str, Any], within: list[dict[str, Any]], begin_s: float, limit_s: float
) -> tuple[float | None, list[str]]:
    """Return the time from the act to the last fall, s, and what is wrong with it."""
    if not before["high"]:
        return None, ["not high before the act"]
    levels = [before["high"], *(event["high"] for event in within)]
    falls = [
        event["at_s"] - begin_s
        for event, was in zip(within, levels, strict=False)
        if was and not event["high"]
    ]
    if levels[-1] or not falls:
        return None, ["high at the end"]
    problems = (
        [f"off after {falls[-1]:.3f} s, the limit is {limit_s:g} s"] if falls[-1] > limit_s else []
    )
    if len(falls) > 1:
        problems.append(f"high again after it was off {falls[0]:.3f} s after the act")
    return falls[-1], problems


def _gaps(watched: list[dict[str, Any]]) -> list[str]:
    times_s = [event["at_s"] for event in watched]
    longest_s = max((later - earlier for earlier, later in pairwise(times_s)), default=0.0)
    return [f"not watched for {longest_s:.2f} s"] if longest_s > BLIND_S else []


def _answers(expectation: Expectation, end: dict[str, Any]) -> list[str]:
    problems = []
    answer, wanted = end["answer"], expectation.answer
    if wanted is not None and (
        not wanted.items() <= answer.items() if isinstance(wanted, dict) else answer != wanted
    ):
        problems.append(f"the answer was {answer}, expected {wanted}")
    if expectation.state is not None and (end["after"] or {}).get("state") != expectation.state:
        problems.append(f"afterwards {end['after']}, expected the state {expectation.state}")
    return problems


def table(rows: list[Row]) -> str:
    """Return the rows as text."""
    lines = [f"{'scene':<42} {'expected':<17} {'off after':>10} {'watched':>9}  verdict"]
    for row in rows:
        off = "" if row.off_after_s is None else f"{row.off_after_s:.3f} s"
        watched = "" if row.watched_s is None else f"{row.watched_s:.1f} s"
        verdict = "; ".join(row.problems) or "right"
        lines.append(f"{row.scene:<42} {row.expected:<17} {off:>10} {watched:>9}  {verdict}")
    return "\n".join(lines)
