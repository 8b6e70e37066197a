"""Runs one scenario of the campaign and says how it went, as JSON values."""

from __future__ import annotations

import logging
import tempfile
from pathlib import Path
from typing import Any

from tests.proofs.campaign.attachments import Listener
from tests.proofs.campaign.draw import SLOW, STUDY, TURNED_UP, Scenario, draw
from tests.proofs.campaign.left_alone import MATTERS, left_alone
from tests.proofs.campaign.oracle import row_s
from tests.proofs.campaign.rows import reasons, rows
from tests.proofs.campaign.world import World

OTHER_ENDS = frozenset({"over_time", "over_charge", "depth_limit"})
"""Ceilings that a run may meet by itself: thin sheets and poor bites are drawn, too."""

TOLD_WITHIN_S = 1.2
"""What the age watch cuts during a bus call is reported a stuck transaction later, s."""


def run_one(
    seed: int,
    number: int,
    kind: str | None = None,
    faults: tuple[str, ...] | None = None,
    must_be_default: bool = False,
) -> dict[str, Any]:
    """Return how run ``number`` of the campaign went; the parameters are those of ``draw``."""
    return run_scenario(draw(seed, number, kind, faults, must_be_default))


def run_scenario(scenario: Scenario) -> dict[str, Any]:
    """Return how a scenario went."""
    log, listener = logging.getLogger("biteclock"), Listener()
    was = log.propagate
    log.addHandler(listener)
    log.propagate = False
    try:
        with tempfile.TemporaryDirectory(
            prefix="biteclock-campaign-", dir=_fast_directory()
        ) as directory:
            world = World(scenario, Path(directory))
            world.run()
    finally:
        log.removeHandler(listener)
        log.propagate = was
    world.watch.must(
        "quiet", not listener.texts, lambda: "logged: " + "; ".join(listener.texts[:3])
    )
    return _outcome(world)


def _fast_directory() -> str | None:
    """Return a directory in memory where there is one: the disk itself is not on trial."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _outcome(world: World) -> dict[str, Any]:
    scenario, watch = world.scenario, world.watch
    first = watch.findings[0] if watch.findings else None
    outcome = {
        "number": scenario.number,
        "kind": scenario.kind,
        "faults": list(scenario.fault_names),
        "mode": scenario.request.supply_mode,
        "default_limits": scenario.default_limits,
        "state": world.supervisor.state.value,
        "reason": None if first is None else first[1],
        "findings": [
            [round(at_s - watch._zero_s(), 4), reason, state]
            for at_s, reason, state in watch.findings
        ],
        "off": _times_to_off(world),
        "stretches": len(watch.on_edges_s),
        "on_s": round(
            sum(b - a for a, b in zip(watch.on_edges_s, watch.off_edges_s, strict=False)), 3
        ),
        "passes": watch.passes,
        "virtual_s": round(world.clock.monotonic_s() - world.start_at_s, 1),
        "late_s": round(watch.late_s, 3),
        "warnings": sorted(set(watch.warnings)),
        "exempt_charge": sorted(watch.exempt_charge),
        "ended": watch.ended,
        "pieces": scenario.request.pieces,
        "left_alone": left_alone(scenario)
        if scenario.kind == STUDY and MATTERS.keys() & scenario.fault_names
        else None,
    }
    if scenario.kind == "single" and scenario.default_limits:
        missed = _against_the_row(scenario, outcome)
        watch.must("row", not missed, lambda: "; ".join(missed))
    return outcome | {"checked": dict(watch.checked), "violations": watch.violations}


def _times_to_off(world: World) -> list[dict[str, Any]]:
    """Return the seconds from each fault to the low pin, and the reason, for relay-on faults."""
    watch, scenario = world.watch, world.scenario
    if not watch.on_edges_s:
        return []
    began = [(fault.name, fault.at_s) for fault in scenario.faults] + [
        (TURNED_UP, at_s) for at_s, _ in scenario.turned_up
    ]
    found = []
    for name, after_s in began:
        at_s = watch.on_edges_s[0] + after_s
        for on_s, off_s, conversion_s in zip(
            watch.on_edges_s, watch.off_edges_s, watch.conversions_s, strict=False
        ):
            if on_s <= at_s < off_s:
                reason = next(
                    (
                        r
                        for told_s, r, _ in watch.findings
                        if -1e-6 <= told_s - off_s <= TOLD_WITHIN_S
                    ),
                    None,
                )
                times = {
                    "at_s": after_s,
                    "stretch_s": at_s - on_s,
                    "off_s": off_s - at_s,
                    "conversion_s": conversion_s,
                }
                is_full = at_s - on_s >= scenario.spec.ramp_s and (
                    name != TURNED_UP or watch.turned_enough.get(after_s, False)
                )
                found.append({"fault": name, **times, "reason": reason, "is_full": is_full})
    return found


def _against_the_row(scenario: Scenario, outcome: dict[str, Any]) -> list[str]:
    """Return how a single fault without anything else missed its row of the table."""
    name = scenario.fault_names[0]
    if name in SLOW or name in ("ripple_worst", "relay_welded"):
        return []  # reported as a rate, not promised; a welded relay cannot turn off
    is_from_start = bool(scenario.faults) and scenario.faults[0].at_s == 0.0
    if (is_from_start and scenario.rescues) or not (is_from_start or outcome["off"]):
        # the relay was off, or somebody repaired it and restarted the sensor first
        return []
    grace_s = scenario.settings.limits.contact_grace_s if "lost_contact" in reasons(name) else 0.0
    due_s = [row_s(name, scenario) + max(0.0, grace_s - off["stretch_s"]) for off in outcome["off"]]
    if outcome["reason"] in OTHER_ENDS and all(
        off["off_s"] <= s for off, s in zip(outcome["off"], due_s, strict=True)
    ):
        return []  # the run was over before the fault was due
    if not all(off["is_full"] for off in outcome["off"]):
        # turned up by too little, or the supply still rises: where it becomes enough later, the
        # oracle decides
        return []
    found = []
    for off, allowed_s in zip(outcome["off"], due_s, strict=True):
        ends_by_itself = outcome["reason"] is None
        if not ends_by_itself and off["off_s"] > allowed_s:
            found.append(f"{name}: off after {off['off_s']:.4f} s, its row says {allowed_s:.4f} s")
    known = reasons(name) | ({"sensor_fault"} if name == "bus_stuck" else set())
    if outcome["reason"] is not None and outcome["reason"] not in known:
        found.append(
            f"{name} ended as {outcome['reason']}, its row says {', '.join(sorted(reasons(name)))}"
        )
    ends = {row.ends for row in rows(name)}
    if outcome["findings"] and outcome["findings"][0][2] not in ends:
        found.append(
            f"{name} ended in {outcome['findings'][0][2]}, its row says {', '.join(sorted(ends))}"
        )
    return found
