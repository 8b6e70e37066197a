"""Delivers one message through Apprise and ends: ``python -m api.messenger.one_delivery``.

A process of its own, so that a service that never answers can be ended, and so that Apprise's
services never share a process with anything else. Address, title and text come on the standard
input, because everybody on the machine sees arguments. The outcome leaves as JSON, and nothing else
does: what Apprise logs may hold a piece of an address.
"""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import sys
from typing import Any, Final

from api.messenger.ending import Ending

LONGEST_LIFE_S: Final = 60
"""The kernel ends this process then, s, should the messenger no longer be there to do it."""

_STATUS = re.compile(r"\berror=(\d{3})\b")
_NO_WAY = re.compile(r"connection|timed? ?out|socket|unreachable|resolve", re.IGNORECASE)


class _Kept(logging.Handler):
    """Keeps what Apprise says, in this process only."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


def deliver(url: str, title: str, body: str, notify_type: str) -> dict[str, Any]:
    """Send one message; return ``ending`` and ``status`` as in ``Outcome``."""
    try:
        import apprise
    except ImportError:
        return {"ending": Ending.NOT_INSTALLED}
    kept = _Kept()
    logger = logging.getLogger("apprise")
    logger.addHandler(kept)
    logger.propagate = False
    asset = apprise.AppriseAsset(app_id="biteclock", app_desc="biteclock", async_mode=False)
    service = apprise.Apprise.instantiate(url, asset=asset)
    if service is None:
        return {"ending": Ending.UNKNOWN_ADDRESS}
    sender = apprise.Apprise(asset=asset)
    sender.add(service)
    if sender.notify(body=body, title=title, notify_type=apprise.NotifyType(notify_type)):
        return {"ending": Ending.SENT}
    said = "\n".join(kept.lines)
    status = _STATUS.search(said)
    if status is not None and 100 <= int(status[1]) <= 599:
        return {"ending": Ending.REFUSED, "status": int(status[1])}
    return {"ending": Ending.UNREACHABLE if _NO_WAY.search(said) else Ending.FAILED}


def main() -> None:
    """Deliver what the standard input says."""
    signal.alarm(LONGEST_LIFE_S)
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    order = json.load(sys.stdin)
    try:
        outcome = deliver(order["url"], order["title"], order["body"], order["notify_type"])
    except Exception:  # one of 300 services; what it says may hold a secret
        outcome = {"ending": Ending.FAILED}
    json.dump(outcome, answer)
    answer.close()


if __name__ == "__main__":
    main()
