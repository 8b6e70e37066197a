"""Turns what happened in the loop into notices, as a follower. It never waits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from controller.messages import Finding, RunState, Snapshot, TripReason
from controller.notices.notice import Found, Notice, NoticeKind, short
from controller.notices.two_minutes import TwoMinutes
from controller.ports import Clock
from controller.safety.outbox import Changed, Noted, OutboxItem

AT_WORK = frozenset({RunState.CHECKING, RunState.RUNNING})
BATH_WARM = "guards.warning.bath_warm"
GAUGE_STOP = "supervisor.state.gauge_stop"

Sent = tuple[NoticeKind, str, Finding | None]
"""Kind, case and finding of a notice."""


class Herald:
    """Sends one notice for each event, in the order of the events.

    :param send: takes a datagram. It must neither wait nor raise.
    :param bench: name of the bench.
    :param late_fraction: how many times as long a run may take before its ceiling ends it.
    """

    def __init__(
        self, send: Callable[[bytes], None], clock: Clock, bench: str, late_fraction: float
    ) -> None:
        self._send = send
        self._clock = clock
        self._bench = short(bench) or ""
        self._late_fraction = late_fraction
        self._two_minutes = TwoMinutes()
        self._was_welded = False

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Send a notice for each event in the outbox, then for what the snapshot shows."""
        for item in outbox:
            if isinstance(item, Changed):
                news = self._of_change(item, snapshot)
                if news is not None:
                    self._tell(news, snapshot)
            elif isinstance(item, Noted) and item.message.key == BATH_WARM:
                self._tell((NoticeKind.BATH_HOT, "plain", None), snapshot)
        if self._two_minutes.has_come(snapshot):
            self._tell((NoticeKind.TWO_MINUTES_LEFT, "plain", None), snapshot)
        self._was_welded = snapshot.relay_welded

    def _of_change(self, item: Changed, snapshot: Snapshot) -> Sent | None:
        """Return the news of a change of state, or None when somebody at the rig made it."""
        kind = NoticeKind
        match item.state:
            case RunState.TRIPPED:
                if item.was is RunState.TRIPPED and self._was_welded:
                    return None
                is_welded = snapshot.relay_welded or _reason(item) is TripReason.RELAY_WELDED
                return kind.TRIPPED, "welded" if is_welded else "plain", item.finding
            case RunState.PAUSED:
                if item.message is not None and item.message.key == GAUGE_STOP:
                    return kind.GAUGE_STOP, "plain", None
                if item.finding is not None:
                    return kind.PAUSED, "asks", item.finding
                return (kind.PAUSED, "by_hand", None) if item.was in AT_WORK else None
            case RunState.FINISHED:
                return kind.FINISHED, "plain", None
            case RunState.INTERRUPTED:
                is_ending = item.was in AT_WORK
                return kind.INTERRUPTED, "shut_down" if is_ending else "restarted", None
            case RunState.STOPPED:
                return (kind.STOPPED, "plain", None) if item.was in AT_WORK else None
            case RunState.RUNNING:
                if snapshot.state is not RunState.RUNNING:
                    return None  # a request for off came first
                has_etched = item.totals is not None and bool(item.totals.on_time_s)
                return kind.STARTED, "again" if has_etched else "plain", None
        return None

    def _tell(self, news: Sent, snapshot: Snapshot) -> None:
        kind, case, finding = news
        values: dict[str, Any] = {
            "kind": kind,
            "case": case,
            "at_utc": snapshot.at_utc if self._clock.is_utc_set() else None,
            "bench": self._bench,
            "run_id": snapshot.run_id,
            "piece": short(snapshot.piece),
            "depth_mm": snapshot.depth_mm,
            "gauge_stop_mm": snapshot.gauge_stop_mm,
            "remaining_s": snapshot.remaining_s,
            "until_stop_s": until_stop_s(snapshot),
            "late_fraction": self._late_fraction,
            "bath_degc": snapshot.bath_degc,
        }
        try:
            found = None if finding is None else Found.of(finding)
            notice = Notice(**values, found=found)
        except ValueError:  # a figure that cannot be: the news must go out without it
            found = None if finding is None else Found(reason=finding.reason)
            notice = Notice(kind=kind, case=case, bench=self._bench, found=found)
        self._send(notice.to_datagram())


def _reason(item: Changed) -> TripReason | None:
    return None if item.finding is None else item.finding.reason


def until_stop_s(snapshot: Snapshot) -> float | None:
    """Return the time until the next gauge stop, s, or None without one.

    In proportion to the depth still to go, which is exact for a plate without edges.
    """
    stop_mm, target_mm, depth_mm, left_s = (
        snapshot.next_gauge_stop_mm,
        snapshot.target_depth_mm,
        snapshot.depth_mm,
        snapshot.remaining_s,
    )
    if stop_mm is None or target_mm is None or depth_mm is None or left_s is None:
        return None
    if target_mm <= depth_mm:
        return None
    return left_s * max(0.0, min(1.0, (stop_mm - depth_mm) / (target_mm - depth_mm)))
