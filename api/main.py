"""Composition root: builds a rig and puts the daemon around it.

Beside ``api.direct``, it is the only module of ``api`` that imports ``hardware``.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from dataclasses import replace
from functools import partial
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from api.direct import (
    check_rig_directly,
    look_whether_off,
    machine_board,
    machine_clock,
    open_rig,
    parse_faults,
    refuse_another_pin,
    refuse_relay_on,
    rig_range_a,
)
from api.messenger.line import MessageLine
from controller.assembly import Assembly, assemble
from controller.backup.desk import BackupDesk
from controller.backup.form import Places
from controller.backup.restoring import finish_at_start
from controller.calculator import Calculator
from controller.config import Settings
from controller.logbook.bath_reader import BathReader
from controller.logbook.health import LogbookHealth
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader
from controller.logbook.thread import LogbookThread
from controller.notices.herald import Herald
from controller.ports import ENDING_SIGNALS
from controller.recording.baths import BathShelf
from controller.recording.journal import Journal
from controller.recording.notices import Notices
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from controller.recording.store_watch import StoreWatch
from controller.running.loop import Board
from controller.texts import CATALOGUE
from hardware.clock import SystemClock
from hardware.descriptor_store import DescriptorStore
from hardware.host import host_notes
from hardware.notify import ServiceNotifier
from hardware.plan_rehearsal import PlateHanger, Rehearsal, rehearsal_rig, rehearsal_spec

if TYPE_CHECKING:
    from fastapi import FastAPI

    from api.access.auth import Access
    from api.http.server import WebServer

__all__ = [
    "Daemon",
    "Rehearsal",
    "check_rig_directly",
    "look_whether_off",
    "machine_board",
    "machine_clock",
    "parse_faults",
    "rehearsal_rig",
    "rehearsal_spec",
    "rig_range_a",
]

GOODBYE_S = 1.0
"""Longest wait for the server, and again for the logbook, to end after the relay is off, s."""

SWITCH_S = 0.0005
"""Longest time that a computing thread keeps the interpreter's lock from a waiting one, s.

The loop gives the lock away at each transfer on the bus. With Python's own 5 ms, a busy server
makes a pass of eight transfers 40 ms longer. The figures are in tests/README.md."""

VERSION = version("biteclock")


class Daemon:
    """The control loop on the calling thread, with server, logbook and age watch beside it.

    :param rehearsal: None for the real rig.
    :param state_directory: holds artworks, paired devices, the daemon's own token, and the logbook
        when its path is relative.
    :param port: overrides the port in the settings.

    Raises: RefusedError when the rig cannot be opened safely or the port is taken.
    """

    def __init__(
        self,
        settings: Settings,
        rehearsal: Rehearsal | None,
        state_directory: Path,
        port: int | None = None,
    ) -> None:
        CATALOGUE.load()
        self._settings = settings
        if rehearsal is None:
            refuse_another_pin(settings.rig.relay_pin)
        self._wakeup_read, self._wakeup_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self.rig = open_rig(settings, rehearsal, self._wakeup_read)
        self._heart = SystemClock()
        self._notifier = ServiceNotifier.from_environment(os.environ)
        self._board = Board(self._heart, self._notifier.alive)
        self._places = Places(state_directory / settings.logbook.path, state_directory)
        finish_at_start(self._places)
        self.logbook = Logbook(state_directory / settings.logbook.path, self.rig.clock)
        self._logbook_thread = LogbookThread(self.logbook)
        self._book = LogbookReader(self.logbook.path)
        self._calculator = Calculator()
        self._table_maker = Calculator()
        self._message_line = MessageLine(settings.messages.socket)
        self.assembly = self._assembled(settings, rehearsal)
        # The relay goes off, and is seen to be off, before the web server is imported, which takes
        # longer than everything else.
        self.assembly.loop.step()
        refuse_relay_on(self.rig, settings.rig.relay_pin)
        self._server = self._web_server(settings, state_directory, port)

    def _assembled(self, settings: Settings, rehearsal: Rehearsal | None) -> Assembly:
        """Return the controller with everything that follows its loop."""
        clock = self.rig.clock
        recorder = RunRecorder()
        followers: list[Any] = [Journal(recorder, self.logbook, clock, settings), Notices()]
        if rehearsal is not None:
            followers.append(PlateHanger(self.rig, rehearsal, settings))
        assembly = assemble(
            self.rig,
            settings,
            board=self._board,
            followers=followers,
            not_ready=lambda: self._backups.not_ready() or self._restorer.not_ready(),
            new_run_id=self.logbook.new_run_id,
            shelf=BathShelf(
                self.logbook, BathReader(self._book), clock, settings, self._calculator
            ),
            calculate=self._calculator,
        )
        self._restorer = Restorer(
            assembly.supervisor, self.logbook, recorder, clock, settings, self.rig.range_a
        )
        assembly.loop.add_follower(self._restorer)
        if rehearsal is None or settings.messages.in_rehearsals:
            assembly.loop.add_follower(self._herald(settings))
        self._backups = BackupDesk(
            self._places,
            settings,
            self._heart,
            program_version=VERSION,
            state=lambda: assembly.service.snapshot().state,
            why_not_known=self._restorer.not_ready,
            restart=None if self._notifier.period_s is None else assembly.loop.end,
        )
        if settings.logbook.when_full == "trip":
            assembly.loop.add_follower(StoreWatch(assembly.supervisor, self.logbook, clock))
        return assembly

    def _herald(self, settings: Settings) -> Herald:
        """Return the follower that sends news to the messenger."""
        bench = str(settings.server.name or "")
        return Herald(
            self._message_line.send, self.rig.clock, bench, settings.limits.over_time_fraction
        )

    def _web_server(self, settings: Settings, state_directory: Path, port: int | None) -> WebServer:
        """Return the server of page and API, its socket already listening."""
        # Imported here, so that planning and rehearsing never load the web server.
        from api.access.addresses import network_names, own_names
        from api.access.auth import Access
        from api.access.listening import kept_listening_socket, page_addresses
        from api.access.local_socket import local_socket, socket_directory
        from api.access.pairing_code import PairingCode
        from api.http.guards.order import all_guards
        from api.http.server import WebServer, throttle_logs

        throttle_logs()
        self._socket = kept_listening_socket(
            settings.server,
            settings.server.port if port is None else port,
            DescriptorStore.from_environment(os.environ, self._notifier),
        )
        self._local = local_socket(
            socket_directory(state_directory, os.environ, is_bench=self.rig.kind == "bench")
        )
        bound_port = self._socket.getsockname()[1]
        self.address = f"http://127.0.0.1:{bound_port}/"
        addresses = partial(page_addresses, settings.server, bound_port)
        access = Access(
            state_directory, self._heart, view_needs_pairing=settings.server.view_needs_pairing
        )
        self.pairing_code = PairingCode(
            access.pins.pin, addresses() or (self.address,), settings.server.name
        )
        guards = all_guards(
            access,
            (*own_names(), *settings.server.hosts),
            network_names=network_names,
            addresses=addresses,
        )
        return WebServer(
            self._application(access, state_directory, addresses=addresses, guards=guards)
        )

    def _application(self, access: Access, state_directory: Path, **parts: Any) -> FastAPI:
        """Return the web application.

        :param parts: further arguments of ``create_app``.
        """
        from api.http.application import create_app
        from api.http.artworks.artwork_shelf import ArtworkShelf
        from api.http.artworks.reliefs import ReliefMaker
        from controller.artwork.client import measure, workplace_notes, workplace_of
        from controller.artwork.film.client import make_film

        workplace = workplace_of(
            os.environ,
            accept_unconfined=self.assembly.service.settings.artwork.accept_unconfined_worker,
        )
        return create_app(
            service=self.assembly.service,
            board=self._board,
            book=self._book,
            logbook_health=self._logbook_health,
            rig_kind=self.rig.kind,
            version=VERSION,
            backups=self._backups,
            name=self._settings.server.name,
            access=access,
            calculate=self._table_maker,
            artworks=ArtworkShelf(
                state_directory / "artworks",
                self._heart,
                measure=partial(measure, workplace=workplace),
                make_film=partial(make_film, workplace=workplace),
                reliefs=ReliefMaker(workplace, self._settings.cell.field),
            ),
            truth=None if self.rig.model is None else self.rig.model.truth,
            watchdog_s=self._notifier.period_s,
            host_notes=lambda: [
                str(note)
                for note in (
                    *(host_notes(state_directory) if self.rig.kind == "bench" else ()),
                    *workplace_notes(workplace),
                )
            ],
            **parts,
        )

    def _logbook_health(self) -> LogbookHealth:
        """Return the state of the logbook. It is ready when an interrupted run is restored, too."""
        health = self.logbook.health()
        is_restored = not health.ready or self._restorer.not_ready() is None
        return health if is_restored else replace(health, ready=False)

    def run(self) -> None:
        """Run until a signal. The relay is off before anything else ends."""
        for number in ENDING_SIGNALS:
            signal.signal(number, self._on_signal)
        sys.setswitchinterval(SWITCH_S)
        signal.set_wakeup_fd(self._wakeup_write, warn_on_full_buffer=False)
        local = self._local
        sockets = [self._socket] if local is None else [self._socket, local.listener]
        server = threading.Thread(
            target=self._server.run,
            kwargs={"sockets": sockets},
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
            self._calculator.close()
            self._table_maker.close()
            self._logbook_thread.stop(GOODBYE_S)
            if local is not None:
                local.close()

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self.assembly.loop.end()
        for number in (signal.SIGTTIN, signal.SIGTTOU):
            # A handler would make a write to the terminal fail and be tried again for ever.
            signal.signal(number, signal.SIG_IGN)
