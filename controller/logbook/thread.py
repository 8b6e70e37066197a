"""The thread that writes the logbook."""

from __future__ import annotations

import threading

from controller.logbook.logbook import Logbook


class LogbookThread:
    """Opens, checks and writes one logbook."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._thread = threading.Thread(target=self._body, name="biteclock-logbook", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Write everything and close the file; return False when that takes over ``timeout_s``."""
        self._logbook.close_soon()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _body(self) -> None:
        while self._logbook.wait(self._logbook.work()):
            pass
        self._logbook.finish()
