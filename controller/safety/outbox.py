"""What the supervisor leaves in its outbox for logbook and page: frozen, in order, never waited for."""

from __future__ import annotations

from dataclasses import dataclass

from controller.messages import Finding, RunState, Sample
from controller.physics.estimate import DepthEstimate
from controller.planning.run_plan import RunPlan
from controller.safety.checkpoint import RunCheckpoint


@dataclass(frozen=True, slots=True)
class RunTotals:
    """Where a run stands. ``uncertain_coulombs``: between 0 and this much more may have flowed uncounted."""

    on_time_s: float
    charge_coulombs: float
    uncertain_coulombs: float
    depth: DepthEstimate


@dataclass(frozen=True, slots=True)
class Began:
    """A run was started."""

    at_s: float
    run_id: str
    plan: RunPlan


@dataclass(frozen=True, slots=True)
class Changed:
    """The bench changed its state. ``finding`` is the reason that stands now; totals are None without a run."""

    at_s: float
    run_id: str | None
    was: RunState
    state: RunState
    finding: Finding | None
    message: str | None
    totals: RunTotals | None


@dataclass(frozen=True, slots=True)
class Counted:
    """A sample of a run was counted, its zero offset taken out.

    :param bath_degc: None without a thermometer.
    :param checkpoint: the run with this sample counted.
    """

    run_id: str
    sample: Sample
    totals: RunTotals
    bath_degc: float | None
    checkpoint: RunCheckpoint


@dataclass(frozen=True, slots=True)
class Seen:
    """A sample of a run that is not counted: a quick second look, or one after the current had reached zero."""

    run_id: str
    sample: Sample


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth a line in the event list."""

    at_s: float
    run_id: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Kept:
    """The present run as it is now, to be written down. The last news of a pass."""

    run_id: str
    checkpoint: RunCheckpoint


News = Began | Changed | Counted | Seen | Noted | Kept
