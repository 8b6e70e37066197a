"""Watches a run of the campaign: after every pass, at every edge of the relay pin, at the end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from controller.messages import EventKind, Finding, RunState, Sample, Snapshot
from controller.safety.outbox import Began, Changed, Counted, Noted, OutboxItem
from controller.safety.run import ActiveRun
from controller.safety.supervisor import Supervisor
from controller.sensors import INA219
from hardware.clock import VirtualClock
from hardware.rehearsal.chip import CONVERSION_S
from hardware.rehearsal.rig import RehearsalRig
from hardware.rehearsal.waveform import Waveform
from hardware.rig import sensor_range_a
from tests.proofs.campaign.bounds import (
    CREST_S,
    EXEMPT_FROM_CHARGE,
    EXEMPT_FROM_DEPTH,
    MOVES,
    Tally,
    deepest_mm,
)
from tests.proofs.campaign.draw import Scenario
from tests.proofs.campaign.invariants import Ledger
from tests.proofs.campaign.oracle import Oracle

S = RunState

TURNS_ON = ("start", "resume")

SLACK_S = 1e-6

_AVERAGED = 0b1111
"""ADC setting of the shunt's 128 readings. Source: TI SBOS448, table of ADC settings."""


@dataclass
class Watch(Ledger):
    """Looks at everything that must hold. ``violations`` stays empty, or the campaign fails."""

    scenario: Scenario
    clock: VirtualClock
    bench: RehearsalRig
    findings: list[tuple[float, str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    on_edges_s: list[float] = field(default_factory=list)
    off_edges_s: list[float] = field(default_factory=list)
    conversions_s: list[float] = field(default_factory=list)
    tally: Tally = field(default_factory=Tally)
    late_s: float = 0.0
    passes: int = 0
    is_on: bool = False
    exempt_charge: set[str] = field(default_factory=set)
    ended: list[dict[str, Any]] = field(default_factory=list)
    turned_enough: dict[float, bool] = field(default_factory=dict)

    def __post_init__(self) -> None:
        limits, loop = self.scenario.settings.limits, self.scenario.settings.loop
        self.oldest_s = limits.max_sample_age_s + loop.age_check_s + SLACK_S
        self.oracle = Oracle(self.scenario)
        self.scale = self.bench.spec.shunt_ohm / self.scenario.settings.rig.shunt_ohm
        self.scale *= 1.0 + self.bench.spec.chip_gain_error_fraction
        self.range_a = sensor_range_a(self.scenario.settings.rig)
        self._clip_vs = self.bench._chip._clipped_integral_vs
        chip = self.bench._chip
        chip._clipped_integral_vs = self._clipped_integral_vs  # type: ignore[method-assign]
        self._supervisor: Supervisor | None = None
        self._state = S.IDLE
        self._finding: Finding | None = None
        self._credits = 0
        self._checks = 0
        self._acknowledged = False
        self._taken_at_s = self.clock.monotonic_s()
        self._averaged: Sample | None = None
        self._gap_s = 0.0
        self._pass_at_s = self.clock.monotonic_s()
        self._was_counting = False
        self._aim: tuple[str, float] | None = None
        self._aimed_from_coulombs = 0.0
        self._checked: Sample | None = None

    def attach(self, supervisor: Supervisor) -> None:
        """Watch a new process, which begins idle with the relay off."""
        self._supervisor = supervisor
        self._state, self._finding = S.IDLE, None
        self._credits = self._checks = 0
        self._pass_at_s = self._taken_at_s = self.clock.monotonic_s()
        self._averaged = None
        self.oracle.forget()
        self.must("end", not self.is_on, "a process began with the relay on")

    def stamp(self) -> str:
        """Return the time since the relay first turned on."""
        return f"{self.clock.monotonic_s() - self._zero_s():.3f} s: "

    def _zero_s(self) -> float:
        return self.on_edges_s[0] if self.on_edges_s else self.clock.monotonic_s()

    # --- as it happens ---------------------------------------------------------------------------

    def pin(self, high: bool) -> None:
        """The relay's pin changes its level now."""
        now_s = self.clock.monotonic_s()
        self.is_on = high
        age_s = now_s - self._taken_at_s
        self.must(
            "fresh",
            age_s <= self.oldest_s,
            f"the relay was on with the newest sample {age_s:.3f} s old",
        )
        if not high:
            self.bench.truth()
            point = self.bench._circuit.operating_point(now_s)
            self._note_current(point.shunt_a)
            self.off_edges_s.append(now_s)
            self.conversions_s.append(self._conversion_s())
            return
        self.on_edges_s.append(now_s)
        self.tally.stretches += 1
        is_running = self._supervisor is not None and self._supervisor.state is S.RUNNING
        self.must(
            "asked",
            is_running and self._state is S.CHECKING,
            f"turned on out of {self._state.value}",
        )
        self.must("asked", self._credits >= 1, "turned on though nobody asked for it")
        self._credits = 0

    def _note_current(self, shunt_a: float) -> None:
        """Take note of a current that really flows, and of one that no bound is promised for."""
        self.tally.most_a = max(self.tally.most_a, abs(shunt_a) * self.scale)
        if self.tally.most_a > self.scenario.plan.drivable_a:
            self.exempt_charge.add("more than a supply drives")

    def _clipped_integral_vs(
        self, from_s: float, to_s: float, level_v: float, wave: Waveform
    ) -> float:
        """Clip as the chip does, and add up what that leaves out."""
        seen_vs = self._clip_vs(from_s, to_s, level_v, wave)
        true_vs = level_v * (to_s - from_s) + wave.shunt_ripple_v * wave.ripple_integral_s(
            from_s, to_s
        )
        self.tally.clipped_coulombs += abs(true_vs - seen_vs) / self.scenario.settings.rig.shunt_ohm
        return seen_vs

    def _conversion_s(self) -> float:
        """Return the time of an averaged conversion now, s, by the chip's settings and clock."""
        return (
            CONVERSION_S[_AVERAGED] + CONVERSION_S[self.bench._chip.registers[0] >> 7 & 15]
        ) * self.bench._chip._stretch

    def sample(self, sample: Sample) -> None:
        """The sensor's driver hands out a sample."""
        now_s = self.clock.monotonic_s()
        if self.is_on:
            age_s = now_s - self._taken_at_s
            self.must(
                "fresh",
                age_s <= self.oldest_s,
                lambda: f"no sample for {age_s:.3f} s and the relay on",
            )
        self._taken_at_s = sample.taken_at_s
        if not sample.averaged:
            return
        last, self._averaged = self._averaged, sample
        if last is None:
            return
        self._gap_s = sample.taken_at_s - last.taken_at_s
        if self._gap_s <= self.scenario.settings.limits.max_sample_age_s:
            self.tally.doubt_coulombs += 0.5 * abs(sample.current_a - last.current_a) * self._gap_s
        if self.is_on or self._was_counting:
            self.tally.counted_s += self._gap_s
            self.tally.most_a = max(self.tally.most_a, abs(sample.current_a), abs(last.current_a))

    def follow(self, _snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Look at every change of state, also at those inside one pass."""
        for item in outbox:
            if isinstance(item, Began):
                self.tally = Tally(most_target_coulombs=item.plan.charge_coulombs)
            elif isinstance(item, Noted) and item.kind is EventKind.WARNING:
                self.warnings.append(str(item.message))
            elif isinstance(item, Counted):
                self.must(
                    "charge",
                    math.isfinite(item.totals.charge_coulombs),
                    "the charge is not a number",
                )
            elif isinstance(item, Changed):
                self._changed(item)

    def _changed(self, item: Changed) -> None:
        self.must(
            "moves",
            (item.was, item.state) in MOVES,
            f"went from {item.was.value} to {item.state.value}",
        )
        if item.state is S.CHECKING and item.was is not S.RUNNING:
            self._checks += 1
        if item.finding is not None and item.state in (S.PAUSED, S.TRIPPED):
            self.findings.append((item.at_s, item.finding.reason.value, item.state.value))
            self.must(
                "quiet",
                item.finding.reason.value != "controller_fault",
                f"controller_fault: {item.finding.what}",
            )
        run = None if self._supervisor is None else self._supervisor.run
        if (
            item.state is S.FINISHED
            and run is not None
            and run.plan.request.stop_policy == "best-estimate"
        ):
            over_coulombs = run.counter.charge_coulombs - max(
                run.plan.charge_coulombs, self._aimed_from_coulombs
            )
            allowed_coulombs = self.tally.most_a * (self._gap_s + 0.03)
            text = (
                f"finished {over_coulombs:.2f} C beyond the charge of the target, allowed "
                f"{allowed_coulombs:.2f} C"
            )
            self.must("target", over_coulombs <= allowed_coulombs, text)

    def accepted(self, command: str) -> None:
        """A command was carried out."""
        if command in TURNS_ON:
            self._credits += 1
            self._checks -= 1
        elif command == "acknowledge":
            self._acknowledged = True

    # --- after each pass -------------------------------------------------------------------------

    def after_pass(self) -> None:
        """Everything that must hold between two passes."""
        supervisor, now_s = self._supervisor, self.clock.monotonic_s()
        if supervisor is None:
            return
        self.passes += 1
        self.late_s += max(
            0.0, now_s - self._pass_at_s - self.scenario.settings.loop.poll_s - 0.005
        )
        self._pass_at_s = now_s
        state, finding, run = supervisor.state, supervisor.finding, supervisor.run
        self.must(
            "state",
            not self.is_on or state is S.RUNNING,
            lambda: f"the relay is on in {state.value}",
        )
        self.must("asked", self._checks <= 0, "a check began though nobody asked for it")
        before = self._finding if not self._acknowledged else None
        if before is not None and state is self._state:
            stays = finding is not None and finding.reason is before.reason
            self.must(
                "latched",
                stays,
                lambda: f"{before.reason.value} became {finding and finding.reason.value}",
            )
        if self._state is S.TRIPPED and not self._acknowledged:
            self.must(
                "latched",
                state is S.TRIPPED,
                lambda: f"left tripped for {state.value} without an acknowledgement",
            )
        self._state, self._finding, self._acknowledged = state, finding, False
        if run is not None:
            self._look_at(run, now_s)

    def _look_at(self, run: ActiveRun, now_s: float) -> None:
        self.tally.most_target_coulombs = max(
            self.tally.most_target_coulombs, run.plan.charge_coulombs
        )
        if self._aim != (
            run.run_id,
            run.plan.charge_coulombs,
        ):  # a reading may show that the target lies behind already
            self._aim = (run.run_id, run.plan.charge_coulombs)
            self._aimed_from_coulombs = run.counter.charge_coulombs
        if self.is_on:
            age_s = now_s - self._taken_at_s
            self.must(
                "fresh",
                age_s <= self.oldest_s,
                lambda: f"the relay is on and the newest sample {age_s:.3f} s old",
            )
            self.bench.truth()  # a slow pass may have ended before the bench came to now
            point = self.bench._circuit.operating_point(now_s)
            wire, chip = self.bench._wire, self.bench._chip
            is_blind = wire._fails is not None or chip._stuck
            bath_degc = self.bench.bath_degc if self.scenario.has_thermometer else None
            self.oracle.ripple_fraction = self.bench._circuit.supply.ripple_fraction
            self._note_current(point.shunt_a)
            if is_blind and abs(point.shunt_a) * self.scale > run.counter.bound_a:
                self.exempt_charge.add("unseen")
            overdue = list(self.oracle.overdue(now_s, self.late_s, run, point, bath_degc, is_blind))
            self.must("in_time", not overdue, lambda: "; ".join(overdue))
            if overdue:
                self.oracle.forget()
        else:
            self.oracle.forget()
        is_counting = run.counter.is_counting
        if (is_counting or self._was_counting) and (
            self._averaged is not self._checked or not is_counting
        ):
            self._checked = self._averaged
            self._check_charge(run, now_s)
        if self._was_counting and not is_counting:
            self._check_depth(run)
        self._was_counting = is_counting

    def tolerance_coulombs(self) -> float:
        """Return how far counted and true charge may lie apart without anything being lost.

        Half of each change between samples over its time; a poll's jitter of the stamps at both
        ends of each stretch; one part in a thousand; a step of the chip for one conversion at each
        end; and 0.25 mA of zero offset at 0.02 ohm that 16 samples leave (less noise than a step of
        the chip). Beyond the sensor's range nothing is let pass: that is what the uncertain charge
        is for.
        """
        tally, shunt_ohm = self.tally, self.scenario.settings.rig.shunt_ohm
        jitter_s = 2.0 * (self.scenario.settings.loop.poll_s + 0.01)
        return (
            tally.doubt_coulombs
            + (tally.stretches + 1) * jitter_s * self._seen_a()
            + 1e-3 * abs(self.bench._charge_coulombs)
            + 5e-6 / shunt_ohm * tally.counted_s
            + (tally.stretches + 1) * INA219.shunt_lsb_v / shunt_ohm * 0.1
        )

    def _seen_a(self) -> float:
        return min(self.tally.most_a, self.range_a)

    def _check_charge(self, run: ActiveRun, now_s: float) -> None:
        if self.exempt_charge or set(EXEMPT_FROM_CHARGE) & set(self.scenario.fault_names):
            return
        true_coulombs = self.bench.truth().charge_coulombs * self.scale
        counter, allowed = run.counter, self.tolerance_coulombs()
        newest_s = now_s if self._averaged is None else self._averaged.taken_at_s
        in_flight = self.tally.most_a * (now_s - newest_s + 0.08) if counter.is_counting else 0.0
        least = counter.charge_coulombs - allowed
        if self._is_reversed():  # then what is missing may have flowed backwards
            least -= in_flight + counter.uncertain_coulombs
        most = (
            counter.charge_coulombs
            + counter.uncertain_coulombs
            + self.tally.uncertain_from_cut_coulombs
            + allowed
            + in_flight
        )
        holds = least <= true_coulombs <= most
        self.must(
            "charge",
            holds,
            lambda: (
                f"{true_coulombs:.2f} C have flowed, {counter.charge_coulombs:.2f} C are counted, "
                f"{counter.uncertain_coulombs:.2f} C uncertain, allowed {allowed:.2f} C and "
                f"{in_flight:.2f} C on the way"
            ),
        )
        if not counter.is_counting:
            clipped, stated = self.tally.clipped_coulombs, counter.uncertain_coulombs
            is_stated = clipped <= max(stated, CREST_S * self.range_a)
            holds = holds and is_stated
            self.must(
                "charge",
                is_stated,
                f"{clipped:.2f} C flowed beyond the sensor's range, {stated:.2f} C are stated as "
                f"uncertain",
            )
        if not holds:
            self.exempt_charge.add("failed")

    def _is_reversed(self) -> bool:
        return self.bench._circuit.supply.polarity < 0

    def _check_depth(self, run: ActiveRun) -> None:
        if set(EXEMPT_FROM_DEPTH) & set(self.scenario.fault_names):
            return
        tally = self.tally
        extra = run.counter.uncertain_coulombs + tally.uncertain_from_cut_coulombs
        extra += self.tolerance_coulombs() + self._seen_a() * (self._gap_s + 0.06)
        allowed_mm = deepest_mm(run, tally.most_target_coulombs + extra)
        true_mm = self.bench.true_depth_mm
        text = (
            f"{true_mm:.5f} mm deep, allowed {allowed_mm:.5f} mm at "
            f"{run.plan.target_depth_mm:.5f} mm"
        )
        self.must("depth", true_mm <= allowed_mm, text)

    def at_end(self, run: ActiveRun | None) -> None:
        """The process has ended: what it leaves."""
        self.must("end", not self.is_on, "the relay is on after the end of the process")
        if run is None:
            return
        depth, truth = run.depth(self.clock.monotonic_s()), self.bench.truth()
        if self._state is not S.IDLE:
            self.ended.append(
                {
                    "state": self._state.value,
                    "target_mm": run.plan.target_depth_mm,
                    "best_mm": depth.best_mm,
                    "low_mm": depth.low_mm,
                    "high_mm": depth.high_mm,
                    "true_mm": truth.depth_mm,
                    "counted_coulombs": run.counter.charge_coulombs,
                    "uncertain_coulombs": run.counter.uncertain_coulombs,
                    "true_coulombs": truth.charge_coulombs * self.scale,
                    "clipped_coulombs": self.tally.clipped_coulombs,
                }
            )
