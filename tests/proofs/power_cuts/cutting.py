"""Rebuilds the disk as a power cut may leave it, opens the logbook, and says what came back."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from controller.logbook.entries import UNFINISHED_STATES
from controller.messages import RunState
from tests.kits.daemon_child import PLATE
from tests.kits.logbook_kit import ManualLogbook
from tests.proofs.power_cuts.recording import FILES, NAME, Call

SECTORS = (512, 4096)


@dataclass(slots=True)
class DiskFile:
    """A file as it is on the disk for sure, and what was done to it since."""

    durable: bytearray | None = None
    since: list[Call] = field(default_factory=list)

    def take(self, call: Call) -> None:
        if call.kind == "sync":
            image = bytearray() if self.durable is None else self.durable
            for done in self.since:
                _apply(image, done, 0, len(done.data))
            self.durable, self.since = image, []
        elif call.kind == "unlink":
            self.durable, self.since = None, []
        else:
            self.since.append(call)

    def after_cut(self, generator: random.Random) -> bytes | None:
        """Return the file as a cut may leave it, None for no file."""
        if self.durable is None and (not self.since or generator.random() < 0.2):
            return None
        image = bytearray(self.durable or b"")
        share = generator.choice((0.0, 0.5, 0.9, 1.0))
        for done in self.since:
            if done.kind == "truncate" or generator.random() < 0.7:
                if generator.random() < share:
                    _apply(image, done, 0, len(done.data))
                continue
            sector = generator.choice(SECTORS)
            start = 0
            while start < len(done.data):
                end = min(len(done.data), start + sector - (done.at + start) % sector)
                if generator.random() < share:
                    _apply(image, done, start, end)
                start = end
        return bytes(image)


def _apply(image: bytearray, call: Call, start: int, end: int) -> None:
    if call.kind == "truncate":
        del image[call.at :]
        image.extend(bytes(call.at - len(image)))
    else:
        image.extend(bytes(max(0, call.at + end - len(image))))
        image[call.at + start : call.at + end] = call.data[start:end]


@dataclass(frozen=True, slots=True)
class Cut:
    """What came back after one cut.

    :param shown_coulombs: charge that the last status before the cut showed; the process may have
        counted for 0.5 s more.
    :param kept_coulombs: charge of the run that came back, 0 when none did.
    :param uncertain_coulombs: what it says may be missing.
    """

    place: int
    state: str | None
    shown_state: str
    shown_coulombs: float
    kept_coulombs: float
    uncertain_coulombs: float
    trouble: str | None

    @property
    def lost_s(self) -> float:
        """Seconds of the planned current that were shown and did not come back."""
        return max(0.0, self.shown_coulombs - self.kept_coulombs) / PLATE["current_a"]


def cuts_of(
    calls: Sequence[Call], places: Sequence[int], generator: random.Random, directory: Path
) -> Iterator[Cut]:
    """Yield the outcome of a cut before each of the places, in rising order.

    :param directory: for the rebuilt files.
    """
    disk = {name: DiskFile() for name in FILES}
    shown = ("idle", 0.0)
    done = 0
    for place in places:
        for call in calls[done:place]:
            if call.told is not None:
                shown = call.told
            else:
                disk[call.file].take(call)
        done = place
        yield _looked_at(
            place,
            shown,
            {name: file.after_cut(generator) for name, file in disk.items()},
            directory,
        )


def _looked_at(
    place: int, shown: tuple[str, float], images: dict[str, bytes | None], directory: Path
) -> Cut:
    for old in directory.iterdir():
        old.unlink()
    for name, image in images.items():
        if image is not None:
            (directory / name).write_bytes(image)
    book = ManualLogbook(directory / NAME)
    book.logbook.work()
    trouble = book.logbook.health().message or book.logbook.notice
    runs = book.reader.list_runs().runs if trouble is None else ()
    book.logbook.finish()
    if trouble is None:
        with closing(sqlite3.connect(directory / NAME)) as connection:
            checks = [
                connection.execute(f"PRAGMA {check}").fetchall()
                for check in ("quick_check", "foreign_key_check")
            ]
        trouble = None if checks == [[("ok",)], []] else f"{checks}"
    if not runs:
        return Cut(place, None, *shown, 0.0, 0.0, trouble)
    run = runs[0]
    if trouble is None and run.state in UNFINISHED_STATES and run.state is not RunState.INTERRUPTED:
        trouble = f"the run came back as {run.state}"
    return Cut(
        place,
        run.state,
        *shown,
        run.progress.charge_coulombs,
        run.progress.uncertain_charge_coulombs,
        trouble,
    )


def places_in(calls: Sequence[Call], count: int, generator: random.Random) -> list[int]:
    """Return so many places to cut, in order; half of them right around an fsync."""
    syncs = [place for place, call in enumerate(calls) if call.kind == "sync"]
    return sorted(
        max(0, generator.choice(syncs) + generator.choice((-1, 0, 1)))
        if generator.random() < 0.5
        else generator.randrange(len(calls) + 1)
        for _ in range(count)
    )


def check(cut: Cut) -> None:
    """Raise AssertionError when a cut cost more than is stated."""
    assert cut.trouble is None, f"cut {cut.place}: {cut.trouble}"
    if cut.shown_state == "running":
        assert cut.state == RunState.INTERRUPTED, (
            f"cut {cut.place}: the run that was shown came back as {cut.state}"
        )
        missing = cut.shown_coulombs - cut.kept_coulombs
        assert missing <= cut.uncertain_coulombs, (
            f"cut {cut.place}: {missing:.2f} C are missing, {cut.uncertain_coulombs:.2f} C stated"
        )
