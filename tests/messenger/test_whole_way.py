"""From the bench to the phone: the daemon, the messenger and a service, each in its process."""

from __future__ import annotations

from pathlib import Path

from api.messenger.line import MessageLine
from tests.kits.daemon_child import serving, unexpected
from tests.kits.messenger_kit import messenger, receiving, write_settings


def configured(directory: Path, *, in_rehearsals: bool) -> Path:
    config = directory / "biteclock.toml"
    config.write_text(
        f'[messages]\nsocket = "{directory / "events.sock"}"\n'
        f"in_rehearsals = {str(in_rehearsals).lower()}\n"
    )
    return config


def test_trip_leaves_the_bench(tmp_path: Path) -> None:
    """Who has left the room hears of the start and of the trip, and what to do about it."""
    config = configured(tmp_path, in_rehearsals=True)
    with receiving() as receiver:
        write_settings(tmp_path / "messages.toml", receiver.url)
        with (
            messenger(tmp_path),
            serving(
                tmp_path / "state", 30.0, "--config", str(config), "--fault", "chip_reset@20"
            ) as daemon,
        ):
            daemon.start()
            started, tripped = receiver.next(), receiver.next()
    assert started["title"] == tripped["title"] == "biteclock: reed panel"
    assert started["message"].startswith("Started: about 10 min to go. Next message by ")
    assert tripped["message"].startswith("Power off: The sensor was reset.")
    assert tripped["type"] == "failure"


def test_rehearsal_is_quiet(tmp_path: Path) -> None:
    """A rehearsal sends nothing unless asked to."""
    config = configured(tmp_path, in_rehearsals=False)
    write_settings(tmp_path / "messages.toml", "json://127.0.0.1:9/")
    with messenger(tmp_path) as process:
        with serving(tmp_path / "state", 200.0, "--config", str(config)) as daemon:
            daemon.running(10.0)
        # The socket keeps its order: whatever was sent before is known by now.
        (service,) = MessageLine(process.socket).state().services
    assert (service.waiting, service.outcome) == (0, None)


def test_nobody_listens(tmp_path: Path) -> None:
    """A run goes on without a messenger."""
    config = configured(tmp_path, in_rehearsals=True)
    with serving(tmp_path / "state", 200.0, "--config", str(config)) as daemon:
        daemon.running(10.0)
        assert unexpected(daemon.errors()) == []
