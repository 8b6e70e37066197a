"""The messenger's mind: what comes in, what goes out, and when. It waits for nothing itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from api.messenger.courier import Courier, Delivery
from api.messenger.ending import Ending
from api.messenger.mailbag import Item, Mailbag
from api.messenger.outcome import Outcome, Report
from api.messenger.settings import SetupError, read_setup, stamp_of
from controller.notices.notice import Notice, NoticeKind
from controller.notices.sentences import body_of, title_of
from controller.ports import Clock
from controller.texts import Value, text

SEND_S = 15.0
"""Longest delivery, s. A slow mail server takes five."""

AT_ONCE = 2
"""Deliveries at once: each takes some 40 MB, and a small Pi has 512 MB."""


@dataclass(eq=False, slots=True)
class Flight:
    """A delivery under way.

    :param is_test: whether it belongs to the test and to no queue.
    """

    bag: Mailbag
    delivery: Delivery
    kind: NoticeKind
    until_s: float
    is_test: bool


@dataclass(slots=True)
class Test:
    """A test under way: the services still to try, and who asked."""

    answer: Callable[[Report], None]
    to_try: list[Mailbag]
    open: int


class PostRoom:
    """Takes notices and questions, and sends.

    :param path: the messenger's own file. It is read again when it changes.
    :param say: writes one line into the journal.
    """

    def __init__(
        self, path: Path, courier: Courier, clock: Clock, say: Callable[[str], None]
    ) -> None:
        self._path = path
        self._courier = courier
        self._clock = clock
        self._say = say
        self._stamp: tuple[int, ...] | None = None
        self._problem: str | None = None
        self._on: frozenset[NoticeKind] = frozenset()
        self._bags: list[Mailbag] = []
        self._test: Test | None = None
        self.flights: list[Flight] = []
        self._look()

    # --- what comes in ---------------------------------------------------------------------------

    def take(self, notice: Notice) -> None:
        """Take a notice from the bench."""
        self._look()
        if notice.kind not in self._on:
            return
        now_s = self._clock.monotonic_s()
        for bag in self._bags:
            dropped = bag.put(Item(notice, now_s))
            if dropped is not None:
                self._log("dropped", bag, dropped.notice.kind)

    def report(self, *, is_busy: bool = False) -> Report:
        """Return the state of all services."""
        self._look()
        return Report(
            is_set_up=bool(self._bags),
            problem=self._problem,
            is_busy=is_busy,
            services=tuple(bag.state() for bag in self._bags),
        )

    def test(self, answer: Callable[[Report], None]) -> None:
        """Send a test through each service, whatever is waiting; answer when all have ended."""
        report = self.report(is_busy=self._test is not None)
        if report.is_busy or not report.is_set_up:
            answer(report)
            return
        self._test = Test(answer, list(self._bags), len(self._bags))

    # --- what goes out ---------------------------------------------------------------------------

    def next_due_s(self) -> float:
        """Return when ``work`` has something to do: monotonic s, or infinity."""
        due_s = [flight.until_s for flight in self.flights]
        if len(self.flights) < AT_ONCE:
            if self._test is not None and self._test.to_try:
                return -math.inf
            due_s += [bag.due_s() for bag in self._bags]
        return min(due_s, default=math.inf)

    def work(self) -> None:
        """End what takes too long, and start what is due."""
        now_s = self._clock.monotonic_s()
        for flight in [it for it in self.flights if it.until_s <= now_s]:
            flight.delivery.give_up()
            self._end(flight, Outcome(ending=Ending.TIMED_OUT))
        while len(self.flights) < AT_ONCE:
            if self._test is not None and self._test.to_try:
                notice = Notice(kind=NoticeKind.TEST)
                self._fly(self._test.to_try.pop(0), Item(notice, now_s), now_s, is_test=True)
                continue
            bag = min(self._bags, key=Mailbag.due_s, default=None)
            if bag is None or bag.due_s() > now_s:
                return
            self._fly(bag, bag.take(), now_s, is_test=False)

    def heard(self, flight: Flight) -> None:
        """Take what a delivery says. Call it when the delivery is readable."""
        outcome = flight.delivery.outcome()
        if outcome is not None:
            self._end(flight, outcome)

    def _fly(self, bag: Mailbag, item: Item, now_s: float, *, is_test: bool) -> None:
        title = title_of(item.notice)
        body = body_of(item.notice, self._on, now_s - item.came_at_s)
        delivery = self._courier.start(bag.service, item.notice.kind, title, body)
        flight = Flight(bag, delivery, item.notice.kind, now_s + SEND_S, is_test)
        self.flights.append(flight)

    def _end(self, flight: Flight, outcome: Outcome) -> None:
        self.flights.remove(flight)
        bag, now_s, now_utc = flight.bag, self._clock.monotonic_s(), self._clock.utc_now()
        if flight.is_test:
            bag.note(outcome, now_utc)
            is_again = False
        else:
            is_again = bag.end(outcome, now_s, now_utc)
        self._log("again" if is_again else "ended", bag, flight.kind, outcome)
        if flight.is_test and self._test is not None:
            self._test.open -= 1
            if self._test.open == 0:
                test, self._test = self._test, None
                test.answer(self.report())

    # --- the file --------------------------------------------------------------------------------

    def _look(self) -> None:
        """Read the file again when it has changed. What waits for a service that stays is kept."""
        stamp = stamp_of(self._path)
        if stamp == self._stamp and (self._problem is None or stamp is None):
            return
        if self._test is not None:
            return  # it ends with the services that it began with
        self._stamp = stamp
        before, self._problem = self._problem, None
        try:
            setup = read_setup(self._path)
        except SetupError as error:
            self._problem = str(error)
            setup = None
        if self._problem is not None and self._problem != before:
            self._say(self._problem)
        self._on = frozenset() if setup is None else setup.on
        known = {bag.service: bag for bag in self._bags}
        services = () if setup is None else setup.services
        self._bags = [known.get(service) or Mailbag(service) for service in services]

    def _log(
        self, what: str, bag: Mailbag, kind: NoticeKind, outcome: Outcome | None = None
    ) -> None:
        values: dict[str, Value] = {
            "name": bag.service.name,
            "position": bag.service.position,
            "kind": kind.value,
            "outcome": "" if outcome is None else str(outcome),
        }
        self._say(text(f"message.log.{what}", **values))
