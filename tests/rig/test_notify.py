"""The service manager's datagrams on a real socket.

Source of the protocol: sd_notify(3), sd_watchdog_enabled(3).
"""

import os
import socket
import uuid

import pytest

from hardware.notify import ServiceNotifier


class Manager:
    """The receiving end, as the service manager has it."""

    def __init__(self, name: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(name)
        self.socket.setblocking(False)

    def messages(self) -> list[str]:
        received = []
        while True:
            try:
                received.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return received


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path):
    name = (
        str(tmp_path / "notify") if request.param == "path" else f"\0biteclock-{uuid.uuid4().hex}"
    )
    manager = Manager(name)
    manager.address = name.replace("\0", "@")
    yield manager
    manager.socket.close()


def test_one_datagram_per_message(manager):
    """Each message is one datagram of the documented form."""
    notifier = ServiceNotifier(manager.address, period_s=2.5)
    notifier.ready()
    notifier.status("running: 0.12 mm\nof 0.25 mm")
    notifier.alive(100.0)
    notifier.stopping()
    assert manager.messages() == [
        "READY=1",
        "STATUS=running: 0.12 mm of 0.25 mm",
        "WATCHDOG=1",
        "STOPPING=1",
    ]


def test_watchdog_fed_once_per_period(manager):
    """Watchdog is fed at most once a period."""
    notifier = ServiceNotifier(manager.address, period_s=2.5)
    fed_at_s = []
    for tick in range(1000):
        now_s = 5000.0 + tick * 0.02
        notifier.alive(now_s)
        if manager.messages():
            fed_at_s.append(round(now_s - 5000.0, 6))
    assert fed_at_s == [0.0, 2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 17.5]


def test_failed_feed_retried(tmp_path):
    """A feed that did not leave is tried again at the next tick."""
    address = str(tmp_path / "notify")
    notifier = ServiceNotifier(address, period_s=2.5)
    notifier.alive(10.0)
    late = Manager(address)
    notifier.alive(10.02)
    assert late.messages() == ["WATCHDOG=1"]
    late.socket.close()


def test_no_listener_no_error(tmp_path):
    """Nothing listens and nothing is raised."""
    for address in (str(tmp_path / "nobody"), "@biteclock-nobody", "/" + "x" * 300, str(tmp_path)):
        notifier = ServiceNotifier(address, period_s=1.0)
        notifier.ready()
        notifier.alive(1.0)
        notifier.status("text with a lone surrogate \ud800")
        notifier.stopping()


def test_full_queue_never_blocks(tmp_path):
    """A full queue neither blocks nor raises."""
    manager = Manager(str(tmp_path / "notify"))
    notifier = ServiceNotifier(str(tmp_path / "notify"), period_s=0.001)
    sent = 5000
    for tick in range(sent):
        notifier.alive(float(tick))
    assert 0 < len(manager.messages()) < sent, (
        "the queue never filled: this test would prove nothing"
    )
    manager.socket.close()


def test_no_manager_no_socket(monkeypatch):
    """Without a manager nothing is opened."""

    def refuse(*_: object) -> None:
        raise AssertionError("a socket was made although no manager listens")

    monkeypatch.setattr(socket, "socket", refuse)
    notifier = ServiceNotifier.from_environment({})
    notifier.ready()
    notifier.alive(1.0)
    notifier.stopping()
    ServiceNotifier.from_environment({"NOTIFY_SOCKET": ""}).ready()


@pytest.mark.parametrize(
    ("environment", "feeds"),
    [
        ({"WATCHDOG_USEC": "5000000"}, [0.0, 2.5, 5.0]),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, [0.0, 2.5, 5.0]),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, []),
        ({"WATCHDOG_USEC": "0"}, []),
        ({"WATCHDOG_USEC": "soon"}, []),
        ({}, []),
    ],
)
def test_watchdog_follows_the_environment(manager, environment, feeds):
    notifier = ServiceNotifier.from_environment({"NOTIFY_SOCKET": manager.address, **environment})
    fed_at_s = []
    for tenth in range(60):
        notifier.alive(tenth / 10)
        fed_at_s += [tenth / 10] * len(manager.messages())
    assert fed_at_s == feeds
