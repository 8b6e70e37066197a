"""Composition root: the only module outside hardware/ that sees all three rooms. Builds a rig and puts the daemon around it."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any

from controller.artwork.planned import ArtworkFile
from controller.assembly import Assembly, assemble
from controller.config import Settings
from controller.errors import RefusedError
from controller.logbook.bath_reader import BathReader
from controller.logbook.health import LogbookHealth
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader
from controller.logbook.thread import LogbookThread
from controller.messages import Snapshot
from controller.planning.run_plan import RunPlan
from controller.recording.baths import BathShelf
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from controller.recording.store_watch import StoreWatch
from controller.running.loop import Board
from controller.safety.outbox import Began, OutboxItem
from hardware.clock import SystemClock
from hardware.host import host_notes
from hardware.notify import ServiceNotifier
from hardware.rehearsal.faults.by_name import parse_fault
from hardware.rehearsal.faults.kinds import Fault
from hardware.rehearsal.front_table import FrontTable
from hardware.rehearsal.plate import artwork_table, measured_table
from hardware.rehearsal.spec import BenchSpec
from hardware.rig import Rig, build_bench_rig, build_rehearsal_rig, sensor_range_a

GOODBYE_S = 1.0
"""Time for the server, and again for the logbook, to end after the relay is off, s."""

DIRECT_CHECK_S = 3.0
"""Time that a rig check without a daemon takes, s: sixteen conversions and a failed try of the sensor."""

VERSION = version("biteclock")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What the rehearsal bench does that the controller does not know.

    :param supply_v: compliance of the supply in constant current, set point in constant voltage. None: 5 V, or the
        set point that gives the planned current.
    :param seed: noise, ripple phase, chip clock and offset.
    :param bite_factor: metal really removed over Faraday's.
    :param artwork: the file whose pixels the plate really carries, or None: then what the plan knows of it.
    :param crowding: how much faster than a wide floor metal goes at the edge of the resist; with ``artwork`` only.
    :param speed: virtual seconds per real second, or None for as fast as the machine can.
    """

    supply_v: float | None = None
    seed: int = 1
    faults: tuple[Fault, ...] = ()
    bite_factor: float = 1.0
    etch_factor: float | None = None
    ripple_fraction: float = 0.03
    ripple_hz: float = 100.0
    artwork: ArtworkFile | None = None
    crowding: float = 0.0
    speed: float | None = None

    def __post_init__(self) -> None:
        if self.crowding != 0.0 and self.artwork is None:
            raise RefusedError(
                f"crowding is {self.crowding:g}, which only edges of an artwork can show: give the artwork too",
                field="crowding",
            )


def bench_spec(plan: RunPlan | None, rehearsal: Rehearsal, settings: Settings) -> BenchSpec:
    """Return the bench on which a plan is rehearsed: its plate, its current, and the rehearsal's own truth.

    Blocks for seconds when the rehearsal has an artwork. Raises: RefusedError, MeasureFailedError.
    """
    common: dict[str, Any] = {
        "bite_factor": rehearsal.bite_factor,
        "ripple_fraction": rehearsal.ripple_fraction,
        "ripple_hz": rehearsal.ripple_hz,
        "shunt_ohm": settings.rig.shunt_ohm,
        "relay_pin": settings.rig.relay_pin,
        "sensor": settings.rig.sensor,
        "i2c_address": settings.rig.i2c_address,
        "seed": rehearsal.seed,
    }
    if rehearsal.supply_v is not None:
        common["supply_v"] = rehearsal.supply_v
    if plan is None:
        return BenchSpec(**common)
    request = plan.request
    copies = request.pieces * request.sides
    constant_voltage = request.supply_mode == "constant-voltage"
    etch_factor = (
        plan.belief.best_etch_factor if rehearsal.etch_factor is None else rehearsal.etch_factor
    )
    truth = {"etch_factor": etch_factor, "bite_factor": rehearsal.bite_factor}
    if rehearsal.artwork is not None:
        table: FrontTable | None = artwork_table(
            plan, rehearsal.artwork, crowding=rehearsal.crowding, **truth
        )
    else:
        table = measured_table(plan, **truth)
    spec = BenchSpec(
        equivalent_g_per_mol=plan.metal.equivalent_weight_g_per_mol,
        density_g_per_cm3=plan.metal.density_g_per_cm3,
        area_mm2=plan.total_area_mm2,
        edge_mm=request.edge_mm * copies,
        fields=copies,
        etch_factor=etch_factor,
        front_table=table,
        supply_limit_a=None if constant_voltage else plan.current_a,
        **common,
    )
    if constant_voltage and rehearsal.supply_v is None:
        spec = replace(spec, supply_v=spec.set_point_v(plan.current_a))
    return spec


def rehearsal_rig(plan: RunPlan | None, rehearsal: Rehearsal, settings: Settings) -> Rig:
    """Return the rehearsal bench for a plan."""
    return build_rehearsal_rig(
        settings, bench_spec(plan, rehearsal, settings), rehearsal.faults, rehearsal.speed
    )


def parse_faults(texts: Sequence[str]) -> tuple[Fault, ...]:
    """Return the faults named as NAME@SECONDS. Raises: RefusedError listing the names."""
    return tuple(parse_fault(text) for text in texts)


def rig_range_a(settings: Settings) -> float:
    """Return the full scale of the current measurement, A."""
    return sensor_range_a(settings.rig)


def machine_board() -> Board:
    """Return a board on the machine's own clock."""
    return Board(SystemClock())


def check_rig_directly(settings: Settings, *, rehearse: bool) -> dict[str, Any]:
    """Return the rig check as JSON values, from a rig opened here. Nothing is switched on."""
    from api.http.models.rig import RigCheck

    wakeup_read, _ = os.pipe()
    rig = (
        rehearsal_rig(None, Rehearsal(), settings)
        if rehearse
        else build_bench_rig(settings, wakeup_read)
    )
    assembly = assemble(rig, settings, board=machine_board(), new_run_id=lambda: "check")
    until_s = rig.clock.monotonic_s() + DIRECT_CHECK_S
    assembly.loop.run(lambda: rig.clock.monotonic_s() >= until_s)
    snapshot = assembly.loop.board.snapshot
    if snapshot is None:
        raise RuntimeError("the loop published nothing")
    notes = () if rehearse else host_notes(Path.cwd())
    report = RigCheck.of(
        assembly.supervisor.report_check(), snapshot, settings.limits.max_sample_age_s, notes
    )
    return report.model_dump(mode="json")


class PlateHanger:
    """Hangs the plate of each new run into the rehearsal cell."""

    def __init__(self, rig: Rig, rehearsal: Rehearsal, settings: Settings) -> None:
        self._rig = rig
        self._rehearsal = rehearsal
        self._settings = settings

    def follow(self, _snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Change the plate when a run begins, before its relay turns on."""
        for item in outbox:
            if isinstance(item, Began) and self._rig.bench is not None:
                self._rig.bench.hang(bench_spec(item.plan, self._rehearsal, self._settings))


class Daemon:
    """Loop on the calling thread; server, logbook and age watch beside it.

    :param rehearsal: None for the real bench.
    :param state_directory: where a relative logbook path lies, the artworks, the pairings, and the bench's own token.
    """

    def __init__(
        self,
        settings: Settings,
        rehearsal: Rehearsal | None,
        state_directory: Path,
        port: int | None = None,
    ) -> None:
        if rehearsal is None:
            _refuse_another_pin(settings.rig.relay_pin)
        self._wakeup_read, self._wakeup_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self.rig = (
            build_bench_rig(settings, self._wakeup_read)
            if rehearsal is None
            else rehearsal_rig(None, rehearsal, settings)
        )
        self._notifier = ServiceNotifier.from_environment(os.environ)
        heart = SystemClock()
        board = Board(heart, self._notifier.alive)
        self.logbook = Logbook(state_directory / settings.logbook.path, self.rig.clock)
        self._logbook_thread = LogbookThread(self.logbook)
        recorder = RunRecorder()
        book = LogbookReader(self.logbook.path)
        followers: list[Any] = [Journal(recorder, self.logbook, self.rig.clock, settings)]
        if rehearsal is not None:
            followers.append(PlateHanger(self.rig, rehearsal, settings))
        self.assembly: Assembly = assemble(
            self.rig,
            settings,
            board=board,
            followers=followers,
            not_ready=lambda: self._restorer.not_ready(),  # noqa: PLW0108 bound late
            new_run_id=self.logbook.new_run_id,
            shelf=BathShelf(self.logbook, BathReader(book), self.rig.clock, settings),
        )
        self._restorer = Restorer(
            self.assembly.supervisor,
            self.logbook,
            recorder,
            self.rig.clock,
            settings,
            self.rig.range_a,
        )
        self.assembly.loop.add_follower(self._restorer)
        if settings.logbook.when_full == "trip":
            self.assembly.loop.add_follower(
                StoreWatch(self.assembly.supervisor, self.logbook, self.rig.clock)
            )
        self.assembly.loop.step()  # off, and seen to be off, before the web server is loaded, which takes longer than all else
        if self.rig.gate.reads_on():
            raise RefusedError(
                f"the relay output {settings.rig.relay_pin} reads on though it was turned off: pull the supply's plug, see what "
                "else drives that pin",
                field="relay_pin",
            )
        # Planning and rehearsing never load the web server.
        from api.access.addresses import own_names
        from api.access.auth import Access
        from api.access.front_door import bench_addresses, listening_socket
        from api.access.invitation import Invitation
        from api.http.application import create_app
        from api.http.artwork_shelf import ArtworkShelf
        from api.http.guards.order import bench_guards
        from api.http.server import BenchServer

        self._socket = listening_socket(
            settings.server, settings.server.port if port is None else port
        )
        bound_port = self._socket.getsockname()[1]
        self.address = f"http://127.0.0.1:{bound_port}/"
        addresses = partial(bench_addresses, settings.server, bound_port)
        access = Access(
            state_directory, heart, view_needs_pairing=settings.server.view_needs_pairing
        )
        self.invitation = Invitation(access.pins.pin, addresses() or (self.address,))
        self._server = BenchServer(
            create_app(
                service=self.assembly.service,
                board=board,
                book=book,
                logbook_health=self._logbook_health,
                rig_kind=self.rig.kind,
                version=VERSION,
                access=access,
                artworks=ArtworkShelf(state_directory / "artworks", heart),
                addresses=addresses,
                guards=bench_guards(access, (*own_names(), *settings.server.hosts)),
                truth=self.rig.bench.truth if self.rig.bench is not None else None,
                watchdog_s=self._notifier.period_s,
                host_notes=(lambda: host_notes(state_directory))
                if self.rig.kind == "bench"
                else tuple,
            )
        )

    def _logbook_health(self) -> LogbookHealth:
        """Return how the logbook is; ready means that a run that was cut is back, too."""
        health = self.logbook.health()
        is_back = not health.ready or self._restorer.not_ready() is None
        return health if is_back else replace(health, ready=False)

    def run(self) -> None:
        """Run until a signal says to end. The relay is off before anything else is put away."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_signal)
        signal.set_wakeup_fd(self._wakeup_write, warn_on_full_buffer=False)
        server = threading.Thread(
            target=self._server.run,
            kwargs={"sockets": [self._socket]},
            name="biteclock-http",
            daemon=True,
        )
        self._logbook_thread.start()
        server.start()
        self._notifier.ready()
        try:
            self.assembly.loop.run()
        finally:
            self.rig.gate.turn_off()
            self._notifier.stopping()
            self._server.should_exit = True
            server.join(GOODBYE_S + 0.5)
            self._logbook_thread.stop(GOODBYE_S)

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self.assembly.loop.end()


def _refuse_another_pin(relay_pin: str) -> None:
    """Raise RefusedError when the unit would force off another pin than the configuration's."""
    unit_pin = os.environ.get("BITECLOCK_RELAY_PIN", relay_pin)
    if unit_pin != relay_pin:
        raise RefusedError(
            f"rig.relay_pin is {relay_pin} and the service's force-off drives {unit_pin} (BITECLOCK_RELAY_PIN): "
            "run systemd/install.sh again, it makes them equal",
            field="relay_pin",
            limit=unit_pin,
        )
