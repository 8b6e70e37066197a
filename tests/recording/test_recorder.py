"""Snapshots, samples and events of a run become entries.

The means are compared with values worked out by hand.
"""

from __future__ import annotations

import itertools
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from typing import Any

import pytest

from api.http.models.base import unit_of
from controller.figures import Figures
from controller.logbook import entries as entries_module
from controller.logbook.entries import (
    Checkpoint,
    Entry,
    Mean,
    Progress,
    RawSamples,
    RunBegan,
    StateChanged,
)
from controller.messages import Event, EventKind, RunState, Sample, Snapshot, TripReason
from controller.recording.recorder import RunRecorder

BEGAN_AT_S = 5000.0
UTC_0 = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)
CONVERSION_S = 0.0686
RUN = RunBegan(
    run_id="r1",
    piece="leaf pendant",
    metal="fine-silver",
    bath="bath 2",
    started_at_utc=UTC_0,
    at_s=BEGAN_AT_S,
    target_depth_mm=0.25,
    planned_current_a=3.0,
    plan={"area_mm2": 767.0},
    settings={},
)


def snap(state: RunState, elapsed_s: float, **known: Any) -> Snapshot:
    """Return a snapshot of the run with the stated figures alone."""
    values = dict.fromkeys((field.name for field in fields(Snapshot)), None)
    return Snapshot(
        **values
        | {"state": state, "at_s": BEGAN_AT_S + elapsed_s, "at_utc": UTC_0, "run_id": "r1"}
        | known
    )


def progress(elapsed_s: float, on_time_s: float, charge_coulombs: float, **known: Any) -> Progress:
    return Progress(
        at_s=BEGAN_AT_S + elapsed_s,
        elapsed_s=elapsed_s,
        on_time_s=on_time_s,
        charge_coulombs=charge_coulombs,
        **known,
    )


def running() -> RunRecorder:
    recorder = RunRecorder()
    recorder.began(RUN)
    recorder.state(snap(RunState.RUNNING, 0.0))
    return recorder


def feed(
    recorder: RunRecorder,
    elapsed_s: float,
    current_a: float = 3.0,
    voltage_v: float = 2.0,
    averaged: bool = True,
) -> tuple[Entry, ...]:
    sample = Sample(BEGAN_AT_S + elapsed_s, current_a, voltage_v, averaged=averaged)
    totals = Figures(
        on_time_s=elapsed_s, charge_coulombs=3.0 * elapsed_s, depth_mm=elapsed_s / 1000.0
    )
    return recorder.sample(sample, totals, 20.0 + elapsed_s)


def feed_until(recorder: RunRecorder, start_s: float, stop_s: float) -> list[Entry]:
    found: list[Entry] = []
    elapsed_s = start_s
    while elapsed_s < stop_s:
        found += feed(recorder, elapsed_s)
        elapsed_s += CONVERSION_S
    return found


def of(kind: type, found: list[Entry] | tuple[Entry, ...]) -> list[Entry]:
    return [entry for entry in found if isinstance(entry, kind)]


def test_mean_of_one_second() -> None:
    recorder = running()
    for elapsed_s, current_a, voltage_v in (
        (7.0, 1.0, 2.0),
        (7.25, 2.0, 2.5),
        (7.5, 3.0, 2.25),
        (7.75, 6.0, 3.25),
    ):
        assert not of(Mean, feed(recorder, elapsed_s, current_a, voltage_v))
    (mean,) = of(Mean, feed(recorder, 8.0, 100.0, 100.0))
    # By hand: (1 + 2 + 3 + 6) / 4 A and (2 + 2.5 + 2.25 + 3.25) / 4 V. The rest is as at 7.75 s.
    assert mean == Mean(7, 7.75, 3.0, 2.5, 23.25, 0.00775, 27.75, run_id="r1")


def test_quick_look_stays_raw() -> None:
    """A quick look is not in the mean, but in the raw record."""
    recorder = running()
    feed(recorder, 0.1, 3.0, 2.0)
    feed(recorder, 0.2, 50.0, 9.0, averaged=False)
    feed(recorder, 0.3, 4.0, 3.0)
    (mean,) = of(Mean, feed(recorder, 1.1))
    assert isinstance(mean, Mean)
    assert (mean.current_a, mean.voltage_v) == (3.5, 2.5)
    changed = recorder.state(snap(RunState.TRIPPED, 1.2, reason=TripReason.OVER_CURRENT))
    (raws,) = of(RawSamples, changed)
    assert isinstance(raws, RawSamples)
    assert [(raw.current_a, raw.averaged) for raw in raws.samples] == [
        (3.0, True),
        (50.0, False),
        (4.0, True),
        (3.0, True),
    ]


def test_no_averaged_sample_no_mean() -> None:
    """A second without an averaged sample has no mean."""
    recorder = running()
    feed(recorder, 0.5, averaged=False)
    assert not of(Mean, feed(recorder, 1.5))
    assert [getattr(entry, "elapsed_s", None) for entry in of(Mean, feed(recorder, 4.5))] == [1]


def test_one_checkpoint_each_second() -> None:
    found = feed_until(running(), 0.01, 60.0)
    checkpoints = of(Checkpoint, found)
    assert len(checkpoints) == 60
    times_s = [c.progress.elapsed_s for c in checkpoints if isinstance(c, Checkpoint)]
    gaps_s = [b - a for a, b in itertools.pairwise(times_s)]
    assert max(gaps_s) <= 1.0 + CONVERSION_S
    last = checkpoints[-1]
    assert isinstance(last, Checkpoint)
    assert last.progress.at_s == pytest.approx(BEGAN_AT_S + last.progress.elapsed_s)
    assert last.progress.charge_coulombs == pytest.approx(3.0 * last.progress.elapsed_s)
    assert last.progress.current_a == 3.0


def test_samples_before_running_unwritten() -> None:
    recorder = RunRecorder()
    assert recorder.began(RUN) == (
        RUN,
        StateChanged("r1", RunState.CHECKING, UTC_0, progress(0.0, 0.0, 0.0)),
    )
    assert feed(recorder, 0.1) == feed(recorder, 1.5) == ()


def test_trip_keeps_raw_samples() -> None:
    """A trip hands out the raw samples of the last 30 s and of the 5 s after it."""
    recorder = running()
    assert not of(RawSamples, feed_until(recorder, 0.0, 50.0))
    changed = recorder.state(
        snap(RunState.TRIPPED, 50.0, reason=TripReason.SHORT_CIRCUIT, message="short")
    )
    assert isinstance(changed[0], StateChanged)
    assert (changed[0].reason, changed[0].message) == (TripReason.SHORT_CIRCUIT, "short")
    (before,) = of(RawSamples, changed)
    assert isinstance(before, RawSamples)
    times_s = [raw.elapsed_s for raw in before.samples]
    assert times_s == sorted(times_s)
    # 30 s / 68.6 ms = 437.3 conversions
    assert len(times_s) == 438
    assert times_s[-1] - times_s[0] <= 30.0
    assert 50.0 - times_s[-1] < CONVERSION_S
    after = of(RawSamples, feed_until(recorder, 50.01, 70.0))
    assert all(isinstance(entry, RawSamples) and len(entry.samples) == 1 for entry in after)
    # 5 s / 68.6 ms = 72.9
    assert len(after) == 73
    again = recorder.state(snap(RunState.TRIPPED, 70.0, reason=TripReason.SHORT_CIRCUIT))
    assert not of(RawSamples, again), "the same reason is not a new trip"


def test_pauses_keep_raw_samples() -> None:
    """A pause with a reason hands out raw samples, and so does the next one."""
    recorder = running()
    for start_s in (0.0, 26.0):
        recorder.state(snap(RunState.RUNNING, start_s))
        feed_until(recorder, start_s, start_s + 20.0)
        paused = recorder.state(
            snap(RunState.PAUSED, start_s + 20.0, reason=TripReason.LOST_CONTACT)
        )
        (raws,) = of(RawSamples, paused)
        assert isinstance(raws, RawSamples)
        # The second pause does not hand out again what the first one did: the 20 s before it, and
        # the 5 s after it, which came at once.
        assert raws.samples[0].elapsed_s == pytest.approx(
            25.0 if start_s else 0.0, abs=CONVERSION_S
        )
        feed_until(recorder, start_s + 20.0, start_s + 26.0)


@pytest.mark.parametrize("state", [RunState.FINISHED, RunState.STOPPED, RunState.PAUSED])
def test_quiet_end_keeps_no_raws(state: RunState) -> None:
    """An end or pause without a reason keeps no raw samples."""
    recorder = running()
    feed_until(recorder, 0.0, 5.0)
    assert not of(RawSamples, recorder.state(snap(state, 5.0)))
    assert not of(RawSamples, feed_until(recorder, 5.0, 20.0))


def test_recording_outlasts_off() -> None:
    """After off, means go on for 5 s, and each sample is a checkpoint."""
    recorder = running()
    feed_until(recorder, 0.0, 10.5)
    (partial,) = of(Mean, recorder.state(snap(RunState.FINISHED, 10.5)))
    assert isinstance(partial, Mean)
    assert partial.elapsed_s == 10
    found = feed_until(recorder, 10.55, 30.0)
    assert [mean.elapsed_s for mean in of(Mean, found) if isinstance(mean, Mean)] == [
        10,
        11,
        12,
        13,
        14,
        15,
    ]
    # (15.5 - 10.55) / 0.0686 = 72.2
    assert len(of(Checkpoint, found)) == 73


def test_partial_second_is_replaced() -> None:
    """A second that a pause cut is handed out again when it is over."""
    recorder = running()
    feed(recorder, 2.1, 2.0)
    (partial,) = of(Mean, recorder.state(snap(RunState.PAUSED, 2.2)))
    feed(recorder, 2.3, 0.0)
    (whole,) = of(Mean, feed(recorder, 3.0, 0.0))
    assert isinstance(partial, Mean)
    assert isinstance(whole, Mean)
    assert (partial.elapsed_s, partial.current_a, whole.elapsed_s, whole.current_a) == (
        2,
        2.0,
        2,
        1.0,
    )


def test_adopted_run_goes_on() -> None:
    """A run taken over goes on in the next second and keeps its uncertain charge."""
    recorder = RunRecorder()
    last = progress(123.4, 100.0, 300.0, uncertain_charge_coulombs=6.0, depth_mm=0.05)
    recorder.took_over("r0", 9.0e5, last)
    (change,) = recorder.state(snap(RunState.RUNNING, 9.0e5 + 2.0 - BEGAN_AT_S, run_id="r0"))
    assert isinstance(change, StateChanged)
    assert change.progress == replace(last, at_s=9.0e5 + 2.0, elapsed_s=126.0)
    totals = Figures(on_time_s=100.1, charge_coulombs=300.3, depth_mm=0.051)
    found = recorder.sample(Sample(9.0e5 + 2.1, 3.0, 2.0), totals, None)
    assert isinstance(found[0], Checkpoint)
    assert found[0].run_id == "r0"
    assert found[0].progress.elapsed_s == pytest.approx(126.1)
    assert found[0].progress.uncertain_charge_coulombs == 6.0


def test_omitted_numbers_stay() -> None:
    recorder = running()
    feed(recorder, 1.5)
    change, _mean = recorder.state(snap(RunState.STOPPED, 2.0))
    assert isinstance(change, StateChanged)
    assert (
        change.progress.charge_coulombs,
        change.progress.depth_mm,
        change.progress.on_time_s,
    ) == (4.5, 0.0015, 1.5)
    assert change.progress.elapsed_s == 2.0


def test_recorder_needs_a_run() -> None:
    """Without a run, a sample or a state is an error, and an event is not."""
    recorder = RunRecorder()
    with pytest.raises(RuntimeError, match="neither begun nor taken over"):
        feed(recorder, 0.0)
    with pytest.raises(RuntimeError, match="neither begun nor taken over"):
        recorder.state(snap(RunState.RUNNING, 0.0))
    note = Event(None, 0.0, UTC_0, EventKind.NOTE, "lamp replaced")
    assert recorder.event(note) == (note,)


def test_idle_snapshot_writes_nothing() -> None:
    """A snapshot that is idle or without a run writes nothing."""
    recorder = running()
    assert recorder.state(snap(RunState.IDLE, 5.0)) == ()
    assert recorder.state(snap(RunState.STOPPED, 5.0, run_id=None)) == ()
    with pytest.raises(RuntimeError, match="r9"):
        recorder.state(snap(RunState.STOPPED, 5.0, run_id="r9"))


def test_resumed_run_lacks_current() -> None:
    """A resumed run has no last current until its first sample.

    Otherwise the zero current of the pause would bound a crash just after Resume.
    """
    recorder = running()
    feed(recorder, 1.0, 3.0)
    recorder.state(snap(RunState.PAUSED, 2.0))
    feed(recorder, 2.1, 0.0)
    (change,) = of(StateChanged, recorder.state(snap(RunState.RUNNING, 60.0)))
    assert isinstance(change, StateChanged)
    assert change.progress.current_a is None
    assert change.progress.charge_coulombs == pytest.approx(6.3)


def test_snapshot_figures_are_recorded() -> None:
    recorder = running()
    figures = {
        "on_time_s": 7.0, "charge_coulombs": 21.5, "uncertain_charge_coulombs": 3.0,
        "depth_mm": 0.01, "depth_low_mm": 0.009, "depth_high_mm": 0.011,
    }  # fmt: skip
    (change,) = recorder.state(snap(RunState.STOPPED, 8.0, message="Stop was pressed.", **figures))
    assert isinstance(change, StateChanged)
    assert change == StateChanged(
        "r1", RunState.STOPPED, UTC_0,
        Progress(at_s=BEGAN_AT_S + 8.0, elapsed_s=8.0, **figures), None, "Stop was pressed.",
    )  # fmt: skip


def test_entry_numbers_name_units() -> None:
    kinds = [
        kind
        for kind in vars(entries_module).values()
        if is_dataclass(kind) and kind.__module__ == entries_module.__name__
    ]
    assert len(kinds) == 11
    ratios = {"water_parts", "bottle_percent", "attack_sd_ln"}
    for kind in kinds:
        for field in fields(kind):
            if "float" in str(field.type) and field.name not in ratios:
                assert unit_of(field.name) is not None, f"{kind}.{field.name}"


def test_checkpoint_each_second() -> None:
    """The run's checkpoint goes with the progress of each second and with a change of state."""
    recorder = RunRecorder()
    recorder.began(RUN)
    (change,) = recorder.state(snap(RunState.RUNNING, 0.0), {"at_s": 1.0})
    assert isinstance(change, StateChanged)
    assert change.kept == {"at_s": 1.0}
    asked: list[float] = []
    kept: list[Any] = []
    for i in range(30):
        at_s = BEGAN_AT_S + 0.1 * i

        def ask(at_s: float = at_s) -> dict[str, float]:
            asked.append(at_s)
            return {"at_s": at_s}

        totals = Figures(on_time_s=0.1 * i, charge_coulombs=0.3 * i, depth_mm=0.0)
        found = recorder.sample(Sample(at_s, 3.0, 2.0), totals, None, kept=ask)
        kept += [entry.kept for entry in of(Checkpoint, found)]
    assert len(asked) == 3
    assert kept == [{"at_s": at_s} for at_s in asked]


@pytest.mark.parametrize(
    ("state", "reason", "is_kept"),
    [
        (RunState.PAUSED, None, True),
        (RunState.TRIPPED, TripReason.SENSOR_STALE, True),
        (RunState.TRIPPED, TripReason.OVER_CHARGE, False),
        (RunState.FINISHED, None, False),
    ],
)
def test_checkpoint_between_states(
    state: RunState, reason: TripReason | None, is_kept: bool
) -> None:
    """What a person enters in a pause is kept at once, while the run can go on."""
    recorder = RunRecorder()
    recorder.began(RUN)
    recorder.state(snap(state, 20.0, reason=reason))
    found = recorder.keep(snap(state, 60.0, reason=reason, charge_coulombs=7.0), {"stretches": 1})
    assert len(found) == is_kept
    for entry in found:
        assert isinstance(entry, Checkpoint)
        assert entry.kept == {"stretches": 1}
        assert (entry.progress.elapsed_s, entry.progress.charge_coulombs) == (60.0, 7.0)
    assert recorder.keep(snap(state, 61.0, run_id="r9"), {}) == ()
    assert RunRecorder().keep(snap(state, 61.0), {}) == ()
