"""``biteclock messages``: sent, not set up, failed."""

from __future__ import annotations

from pathlib import Path

from tests.kits.cli_kit import Command
from tests.kits.messenger_kit import SECRET, messenger, receiving, write_settings

MESSAGES = Command("messages")


def configured(directory: Path) -> Path:
    config = directory / "biteclock.toml"
    config.write_text(f'[messages]\nsocket = "{directory / "events.sock"}"\n')
    return config


def test_not_set_up(tmp_path: Path) -> None:
    for name in ("test", "status"):
        result = MESSAGES.call(name, "--config", configured(tmp_path))
        assert result.exit_code == 1
        assert result.output.startswith("Messages are not set up. Write /etc/biteclock/")


def test_test_then_status(tmp_path: Path) -> None:
    config = configured(tmp_path)
    with receiving() as receiver:
        write_settings(tmp_path / "messages.toml", receiver.url)
        with messenger(tmp_path):
            untried = MESSAGES.call("status", "--config", config)
            tested = MESSAGES.call("test", "--config", config)
            known = MESSAGES.json_of("status", "--config", config)
        assert receiver.next()["message"] == "Test: messages from the rig reach you."
    assert (untried.exit_code, tested.exit_code) == (1, 0)
    assert untried.output == "Messages are set up.\n  json (address 1): nothing sent yet\n"
    assert tested.output == "Messages reach you.\n  json (address 1): sent\n"
    assert known["is_well"] is True
    assert SECRET not in str(known)


def test_failed_test(tmp_path: Path) -> None:
    config = configured(tmp_path)
    with receiving(401) as receiver:
        write_settings(tmp_path / "messages.toml", receiver.url)
        with messenger(tmp_path):
            result = MESSAGES.call("test", "--config", config)
    assert result.exit_code == 1
    assert "the service refused it with status 401" in result.output
