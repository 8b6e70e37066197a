"""The loop on the main thread: tick, commands, publish.

Followers run after the tick. When one fails, the others still run.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any

from controller.errors import LoopNotAliveError
from controller.messages import OffRequest, Snapshot
from controller.ports import Clock, Gate, Pacer, Thermometer
from controller.running.snapshot import take_snapshot
from controller.safety.outbox import Follower, OutboxItem
from controller.safety.supervisor import Supervisor
from controller.texts import text

PUBLISH_S = 0.25
"""Longest time between two snapshots, s. A new state is published at once."""

SETTLE_S = 0.5
"""At the end the loop continues for at most this long, s, until the current is zero."""

MAILBOX = 64
"""Most commands that may wait. More are refused."""

MOST_ENDED = 200
"""So many ended runs are remembered, for a Stop that names one of them. A day has fewer runs."""

_log = logging.getLogger("biteclock")


class Board:
    """The newest snapshot, and when the loop last completed a pass. The loop alone writes it.

    :param heart: the clock of the machine, even where the loop runs on another.
    :param on_beat: called with the time after each completed pass and at no other time. It feeds
        the watchdog.
    """

    def __init__(
        self, heart: Clock, on_beat: Callable[[float], None] = lambda _now_s: None
    ) -> None:
        self._heart = heart
        self._on_beat = on_beat
        self.snapshot: Snapshot | None = None
        self._ended: tuple[str, ...] = ()  # replaced as a whole: others read it meanwhile
        self._beat_at_s = heart.monotonic_s()

    def publish(self, snapshot: Snapshot) -> None:
        """Show a new snapshot. The run of the one before is over when it is not in this one."""
        before = None if self.snapshot is None else self.snapshot.run_id
        self.snapshot = snapshot
        if before is not None and before != snapshot.run_id:
            self._ended = (*self._ended, before)[-MOST_ENDED:]

    def has_ended(self, run_id: str) -> bool:
        """Return whether a run left the rig since the daemon started. Unknown names have not."""
        return run_id in self._ended

    def beat(self) -> None:
        """Note that a pass was completed."""
        self._beat_at_s = self._heart.monotonic_s()
        self._on_beat(self._beat_at_s)

    def now_s(self) -> float:
        """Return the machine's monotonic time, s."""
        return self._heart.monotonic_s()

    def silent_s(self) -> float:
        """Return the real time since the last completed pass, s."""
        return self._heart.monotonic_s() - self._beat_at_s


class ControlLoop:
    """Calls the supervisor at a fixed rate.

    :param period_s: time from one deadline to the next. A late loop skips passes and never repeats
        them.
    :param followers: called with each snapshot and the items of the outbox since the last one.
    """

    def __init__(
        self,
        *,
        supervisor: Supervisor,
        gate: Gate,
        clock: Clock,
        pacer: Pacer,
        period_s: float,
        board: Board,
        followers: Sequence[Follower] = (),
        thermometer: Thermometer | None = None,
    ) -> None:
        self.board = board
        self._supervisor = supervisor
        self._gate = gate
        self._clock = clock
        self._pacer = pacer
        self._period_s = period_s
        self._followers = list(followers)
        self._thermometer = thermometer
        self._mailbox: deque[tuple[Callable[[], Any], Future[Any]]] = deque()
        self._mailbox_lock = threading.Lock()
        self._sequence = 0
        self._published_at_s = float("-inf")
        self._ending = False

    def add_follower(self, follower: Follower) -> None:
        """Add a follower after the others. Call it before ``run``."""
        self._followers.append(follower)

    def submit(self, action: Callable[[], Any]) -> Future[Any]:
        """Call ``action`` on the loop's thread, between two passes.

        Raises: LoopNotAliveError when too many wait.
        """
        future: Future[Any] = Future()
        with self._mailbox_lock:
            if len(self._mailbox) >= MAILBOX:
                raise LoopNotAliveError("run.loop.mailbox_full", limit_commands=MAILBOX)
            self._mailbox.append((action, future))
        return future

    def end(self) -> None:
        """Turn off for good and let ``run`` return soon. Safe from a signal handler."""
        self._gate.revoke(OffRequest.SHUTDOWN)
        self._ending = True

    def run(self, is_done: Callable[[], bool] = lambda: False) -> None:
        """Run until ``end`` or ``is_done``. The relay is off when this returns or raises."""
        try:
            deadline_s = self._clock.monotonic_s()
            while not self._ending and not is_done():
                self.step()
                deadline_s = max(deadline_s + self._period_s, self._clock.monotonic_s())
                self._pacer.wait_until(deadline_s)
            self._settle()
        finally:
            self._gate.turn_off()

    def step(self) -> None:
        """Make one pass, answer the commands, publish."""
        try:
            self._supervisor.tick()
        except Exception:
            _log.exception(text("run.log.pass_failed"))
        else:
            self.board.beat()
        answers = self._act()
        now_s = self._clock.monotonic_s()
        if self._supervisor.has_changed or answers or now_s - self._published_at_s >= PUBLISH_S:
            self._publish(now_s, self._supervisor.take_outbox())
        for answer in answers:
            answer()

    def _act(self) -> list[Callable[[], None]]:
        """Call the waiting actions; return their answers, sent once the snapshot shows them."""
        answers: list[Callable[[], None]] = []
        while self._mailbox:
            action, future = self._mailbox.popleft()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                answers.append(partial(future.set_result, action()))
            except Exception as error:
                answers.append(partial(future.set_exception, error))
        return answers

    def _publish(self, now_s: float, outbox: Sequence[OutboxItem]) -> None:
        self._published_at_s = now_s
        self._sequence += 1
        bath_degc = None if self._thermometer is None else self._thermometer.latest_degc()
        snapshot = take_snapshot(
            self._supervisor, self._gate, self._clock, self._sequence, bath_degc
        )
        self.board.publish(snapshot)
        for follower in self._followers:
            try:
                follower.follow(snapshot, outbox)
            except Exception:
                _log.exception(text("run.log.follower_failed", name=type(follower).__name__))

    def _settle(self) -> None:
        """Continue until the current is zero, so that the last charge is counted."""
        until_s = self._clock.monotonic_s() + SETTLE_S
        while self._clock.monotonic_s() < until_s:
            self.step()
            run = self._supervisor.run
            if run is None or not run.counter.is_counting:
                break
            self._pacer.wait_until(self._clock.monotonic_s() + self._period_s)
        self._publish(self._clock.monotonic_s(), self._supervisor.take_outbox())
