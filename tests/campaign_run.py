"""Runs one scenario of the campaign and says how it went, as JSON values."""

from __future__ import annotations

import logging
import tempfile
from pathlib import Path
from typing import Any

from tests.campaign_draw import SLOW, TURNED_UP, Scenario, draw
from tests.campaign_oracle import row_s
from tests.campaign_rows import reasons, rows
from tests.campaign_world import Listener, World

CONVERSION_S = 0.532e-3 + 68.10e-3
"""Shunt averaged over 128 samples and one bus reading, typical. Source: TI SBOS448, table of ADC settings."""


def run_one(seed: int, number: int, kind: str | None = None, faults: tuple[str, ...] | None = None) -> dict[str, Any]:
    """Return how run ``number`` of the campaign went."""
    return run_scenario(draw(seed, number, kind, faults))


def run_scenario(scenario: Scenario) -> dict[str, Any]:
    """Return how a scenario went."""
    log, listener = logging.getLogger("biteclock"), Listener()
    was = log.propagate
    log.addHandler(listener)
    log.propagate = False
    try:
        with tempfile.TemporaryDirectory(prefix="biteclock-campaign-", dir=_fast_directory()) as directory:
            world = World(scenario, Path(directory))
            world.run()
    finally:
        log.removeHandler(listener)
        log.propagate = was
    for text in listener.texts:
        world.watch.fail(f"logged: {text}")
    return _outcome(world)


def _fast_directory() -> str | None:
    """Return a directory in memory where there is one: the disk itself is not what is tried here."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _outcome(world: World) -> dict[str, Any]:
    scenario, watch = world.scenario, world.watch
    off = _times_to_off(world)
    first = watch.findings[0] if watch.findings else None
    outcome = {
        "number": scenario.number,
        "kind": scenario.kind,
        "faults": list(scenario.fault_names),
        "mode": scenario.request.supply_mode,
        "default_limits": scenario.default_limits,
        "state": world.supervisor.state.value,
        "reason": None if first is None else first[1],
        "findings": [[round(at_s - watch._zero_s(), 4), reason, state] for at_s, reason, state in watch.findings],
        "off": off,
        "stretches": len(watch.on_edges_s),
        "on_s": round(sum(b - a for a, b in zip(watch.on_edges_s, watch.off_edges_s, strict=False)), 3),
        "passes": watch.passes,
        "virtual_s": round(world.clock.monotonic_s() - world.start_at_s, 1),
        "late_s": round(watch.late_s, 3),
        "warnings": sorted(set(watch.warnings)),
        "exempt_charge": sorted(watch.exempt_charge),
        "ended": watch.ended,
        "violations": watch.violations,
    }
    if scenario.kind == "single" and scenario.default_limits:
        outcome["violations"] += _against_the_row(scenario, outcome)
    return outcome


def _times_to_off(world: World) -> list[dict[str, Any]]:
    """Return for each fault that began with the relay on: seconds from its beginning to the pin's fall."""
    watch, scenario = world.watch, world.scenario
    if not watch.on_edges_s:
        return []
    began = [(fault.name, fault.at_s) for fault in scenario.faults] + [(TURNED_UP, at_s) for at_s, _ in scenario.turned_up]
    conversion_s = CONVERSION_S * (1.0 + (scenario.spec.chip_clock_error_fraction or 0.0))
    found = []
    for name, after_s in began:
        at_s = watch.on_edges_s[0] + after_s
        edges = [off_s for on_s, off_s in zip(watch.on_edges_s, watch.off_edges_s, strict=False) if on_s <= at_s < off_s]
        if edges:
            took_s = edges[0] - at_s
            found.append({"fault": name, "at_s": after_s, "off_s": took_s, "conversions": took_s / conversion_s})
    return found


def _against_the_row(scenario: Scenario, outcome: dict[str, Any]) -> list[str]:
    """Return how a single fault without anything else missed its row of the table."""
    name = scenario.fault_names[0]
    if name in SLOW or name in ("ripple_worst", "relay_welded"):
        return []  # told by rate, not by promise; a welded relay cannot turn off
    found = []
    grace_s = scenario.settings.limits.contact_grace_s
    for off in outcome["off"]:
        ends_by_itself = outcome["reason"] is None
        allowed_s = row_s(name, scenario)
        if "lost_contact" in reasons(name):
            allowed_s += max(0.0, grace_s - off["at_s"])
        if not ends_by_itself and off["off_s"] > allowed_s:
            found.append(f"{name}: off after {off['off_s']:.4f} s, its row says {allowed_s:.4f} s")
    known = reasons(name) | ({"sensor_fault"} if name == "bus_stuck" else set())
    if outcome["reason"] is not None and outcome["reason"] not in known:
        found.append(f"{name} ended as {outcome['reason']}, its row says {', '.join(sorted(reasons(name)))}")
    ends = {row.ends for row in rows(name)}
    if outcome["findings"] and outcome["findings"][0][2] not in ends:
        found.append(f"{name} ended in {outcome['findings'][0][2]}, its row says {', '.join(sorted(ends))}")
    return found
