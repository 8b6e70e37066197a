"""The part of a run that survives a crash, a power cut or an update. Pure.

A stored run is a plan and a checkpoint. The plan is fixed at the start and written once
(planning/json_form.py). The checkpoint is written each second and restored whole. Everything that
changes after the start is a field of ``RunCheckpoint`` or is listed in ``NOT_KEPT`` with a reason.
Gauge and scale readings are in the logbook: a restart learns them again, in their order.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

from controller.errors import RefusedError
from controller.safety.limits import Limits
from controller.texts import Message

if TYPE_CHECKING:
    from controller.ports import Clock

LONGEST_AWAY_S = 30 * 86400.0
"""A longer time away means that the wall clock is wrong, s: no plate waits for a month."""


LOOSEST = 10.0
"""A stored limit this many times above what plan and settings give is damaged, not raised."""

LEAST = {"charge_coulombs": -50.0, "mean_current_a": -100.0}
"""What may lie below 0. Reverse current trips within two samples: some coulombs, never more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCheckpoint:
    """Everything about a run that can change after its plan was made, at one moment.

    :param at_s: monotonic time of that moment.
    :param on_time_s: relay-on time of all stretches, including the present one so far.
    :param uncertain_charge_coulombs: between 0 and this much more may have flowed uncounted.
    :param mean_current_a: mean of the last seconds, from which the time left follows.
    :param stretches: how often the relay has been turned on; the last stretch may not be over.
    :param begun_at_mm: best estimate when the last stretch began; earlier gauge stops are done.
    :param gauge_stop_mm: the gauge stop that paused the run, or None.
    :param is_etching: the relay is on. After a power cut the plate is in the acid without current.
    :param soak_total_s: time in the acid without current, up to the last end of such a time.
    :param soaking_for_s: time in the acid without current since then, or None when the plate is
        out or etching.
    :param is_soak_known: False when the plate was in the acid for a time that nobody knows.
    :param limits: as fixed at the start, with the ceilings that a person has raised.
    :param warnings_given: warnings that are in the event list already.
    """

    at_s: float
    on_time_s: float
    charge_coulombs: float
    uncertain_charge_coulombs: float
    mean_current_a: float
    stretches: int
    begun_at_mm: float
    gauge_stop_mm: float | None
    first_look_done: bool
    is_etching: bool
    soak_total_s: float
    soaking_for_s: float | None
    is_soak_known: bool
    limits: Limits
    warnings_given: tuple[Message, ...]

    @property
    def is_in_acid(self) -> bool:
        """Whether the plate is in the acid. Before the first stretch, assume that it is."""
        return self.is_etching or self.soaking_for_s is not None or self.stretches == 0


NOT_KEPT: Mapping[str, str] = {
    "ActiveRun.turned_on_at_s": "a restored run is off; the stretch under way is in on_time_s",
    "ActiveRun.wants_second_look": "set by each sample, and begins again with each stretch",
    "ActiveRun._streaks": "begin again with each stretch",
    "ActiveRun._mean_at_s": "set when a stretch begins",
    "ActiveRun._begun_at_degc": "taken again in each stretch",
    "ActiveRun._bath_read_at_s": "set when a stretch begins",
    "ActiveRun._trend": "begins again with each stretch, its grace included",
    "ActiveRun._bath_warnings": "judged again with each sample",
    "ActiveRun._asked": "remembers an answer that follows from the rest",
    "ActiveRun._asked_table": "as _asked",
    "ActiveRun._answer": "as _asked",
    "CoulombCounter._last": "the stretch is closed; logbook/recovery.py books what may be missing",
    "CoulombCounter._unsure_from_s": "set when a stretch begins",
    "CoulombCounter._is_beyond": "set when a stretch begins",
    "CoulombCounter.sure_a": "of the sensor that is fitted now, which may have been changed",
    "CoulombCounter.most_a": "of the shunt that is fitted now, which may have been changed",
    "RunPlan.sure_a": "as CoulombCounter.sure_a",
    "RunPlan.drivable_a": "as CoulombCounter.most_a",
}
"""Fields of a run that a restart drops, and why. A test checks that none is forgotten."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment on all clocks.

    :param is_utc_set: the wall clock has been set from outside since the boot.
    """

    at_s: float
    at_utc: datetime
    boot_id: str
    is_utc_set: bool


def moment_of(clock: Clock, boot_id: str | None = None) -> Moment:
    """Return the present moment. Pass ``boot_id`` to avoid asking the clock for it."""
    boot_id = clock.boot_id() if boot_id is None else boot_id
    return Moment(clock.monotonic_s(), clock.utc_now(), boot_id, clock.is_utc_set())


def checkpoint_to_json(checkpoint: RunCheckpoint, moment: Moment) -> dict[str, Any]:
    """Return the checkpoint as JSON values, units in the keys. ``moment`` is when it was made."""
    return {
        **asdict(checkpoint),
        "warnings_given": [message.to_json() for message in checkpoint.warnings_given],
        "at_utc": moment.at_utc.isoformat(),
        "boot_id": moment.boot_id,
        "is_utc_set": moment.is_utc_set,
    }


def checkpoint_from_json(values: Mapping[str, Any], limits: Limits) -> tuple[RunCheckpoint, Moment]:
    """Return a checkpoint and its moment on the clocks of the process that wrote it.

    :param limits: used for limits that an older version did not store.
    Raises: RefusedError for fields that this version does not know; KeyError, TypeError or
        ValueError for malformed values.
    """
    known = dict(values)
    at_utc, boot_id = datetime.fromisoformat(known.pop("at_utc")), str(known.pop("boot_id"))
    moment = Moment(float(known["at_s"]), at_utc, boot_id, bool(known.pop("is_utc_set")))
    kept_limits = dict(known["limits"])
    unknown = set(known) - {field.name for field in fields(RunCheckpoint)}
    unknown |= set(kept_limits) - {field.name for field in fields(Limits)}
    if unknown:
        names = ", ".join(sorted(unknown))
        raise RefusedError("supervisor.restore.unknown", names=names)
    _refuse_unsound(Limits, {**asdict(limits), **kept_limits})
    for name, at_start in asdict(limits).items():
        if at_start is not None and kept_limits.get(name, at_start) > LOOSEST * at_start:
            raise _unsound(name, kept_limits[name])
    if kept_limits.get("least_metal_mm", limits.least_metal_mm) != limits.least_metal_mm:
        raise _unsound("least_metal_mm", kept_limits["least_metal_mm"])  # it guards less when lower
    known["limits"] = Limits(**{**asdict(limits), **kept_limits})
    known["warnings_given"] = tuple(map(Message.from_json, known["warnings_given"]))
    _refuse_unsound(RunCheckpoint, known)
    return RunCheckpoint(**known), moment


def _refuse_unsound(kind: type[RunCheckpoint | Limits], values: Mapping[str, Any]) -> None:
    """Refuse values that no run can have had: a damaged checkpoint must not come back in part.

    Raises: RefusedError, TypeError for a missing field.
    """
    for name, hint in get_type_hints(kind).items():
        value = values.get(name)
        if value is None and type(None) in get_args(hint):
            continue
        if hint is bool:
            is_sound = isinstance(value, bool)
        elif hint is int or hint is float or float in get_args(hint):
            is_sound = (
                isinstance(value, int | float)
                and not isinstance(value, bool)
                and math.isfinite(value)
                and value >= LEAST.get(name, 0.0)
            )
        else:
            continue
        if not is_sound:
            raise _unsound(name, value)


def _unsound(name: str, value: object) -> RefusedError:
    return RefusedError("supervisor.restore.unsound", name=name, value=str(value))


def time_away_s(then: Moment, now: Moment) -> float | None:
    """Return the time between two moments, s, or None when it is not known.

    Within one boot the monotonic clock measures it. Across a reboot the wall clock does, if it was
    set before and after and moved forward by at most LONGEST_AWAY_S. A Pi without a battery starts
    with the time of its last shutdown, so its clock is of no use until the network sets it.
    """
    if then.boot_id == now.boot_id:
        away_s = now.at_s - then.at_s
        return away_s if away_s >= 0.0 else None
    if not (then.is_utc_set and now.is_utc_set):
        return None
    away_s = (now.at_utc - then.at_utc).total_seconds()
    return away_s if 0.0 <= away_s <= LONGEST_AWAY_S else None
