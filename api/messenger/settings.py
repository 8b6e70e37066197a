"""The messenger's own file, which holds secrets: /etc/biteclock/messages.toml.

Addresses of services carry passwords and tokens. No message here repeats one.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.config.nearest import nearest
from controller.errors import BiteclockError
from controller.notices.notice import NoticeKind

DEFAULT_PATH = Path("/etc/biteclock/messages.toml")

MOST_SERVICES = 4
"""Most services: each gets a process for each message, and a small Pi has 512 MB."""

MAX_FILE_BYTES = 65536

CHOICES = tuple(kind for kind in NoticeKind if kind is not NoticeKind.TEST)
"""What ``on`` may name."""

SCHEME = re.compile(r"^([A-Za-z][A-Za-z0-9+.-]{0,29})://[^\s]+$")


class SetupError(BiteclockError, ValueError):
    """The file cannot be used."""


@dataclass(frozen=True, slots=True)
class Service:
    """One address to send to.

    :param position: its place in the file, from 1.
    :param name: the part before ``://``; it holds no secret.
    """

    position: int
    name: str
    url: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class Setup:
    """What the file says."""

    services: tuple[Service, ...]
    on: frozenset[NoticeKind]


def stamp_of(path: Path) -> tuple[int, ...] | None:
    """Return what changes when the file does, or None without one."""
    try:
        known = path.stat()
    except OSError:
        return None
    return (known.st_mtime_ns, known.st_ctime_ns, known.st_size, known.st_ino)


def read_setup(path: Path) -> Setup | None:
    """Return what the file says, or None when there is no file.

    Raises: SetupError when somebody else may read it, or when it cannot be used.
    """
    try:
        # Not blocking, lest a pipe in its place hold up the messenger.
        opened = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SetupError("message.setup.unreadable", file=str(path)) from error
    try:
        data = _content(opened, str(path))
    except OSError as error:
        raise SetupError("message.setup.unreadable", file=str(path)) from error
    finally:
        os.close(opened)
    if len(data) > MAX_FILE_BYTES:
        raise SetupError("message.setup.too_large", file=str(path), limit_bytes=MAX_FILE_BYTES)
    return parse_setup(data, path)


def _content(opened: int, file: str) -> bytes:
    """Return what is in a plain file that its owner alone may touch. Raises: SetupError."""
    known = os.fstat(opened)
    if not stat.S_ISREG(known.st_mode):
        raise SetupError("message.setup.no_file", file=file)
    if known.st_mode & 0o077:
        mode = f"{stat.S_IMODE(known.st_mode):04o}"
        raise SetupError("message.setup.open_to_others", file=file, mode=mode)
    return os.read(opened, MAX_FILE_BYTES + 1)


def parse_setup(data: bytes, path: Path) -> Setup:
    """Return what the file says. Raises: SetupError, which names the place and no content."""
    file = str(path)
    try:
        whole = tomllib.loads(data.decode())
    except (ValueError, RecursionError) as error:
        at = re.search(r"line (\d+)", str(error))
        line = "?" if at is None else at[1]
        # Not "from error": the text behind it may hold a piece of an address.
        raise SetupError("message.setup.not_toml", file=file, line=line) from None
    table = whole.get("messages")
    if not isinstance(table, dict):
        raise SetupError("message.setup.no_table", file=file)
    for keys, known in ((whole, ("messages",)), (table, ("urls", "on"))):
        for position, key in enumerate(keys, 1):
            if key not in known:
                raise SetupError("message.setup.unknown_key", file=file, position=position)
    return Setup(_services(table.get("urls"), file), _kinds(table.get("on"), file))


def _services(urls: Any, file: str) -> tuple[Service, ...]:
    if not isinstance(urls, list) or not urls or not all(isinstance(it, str) for it in urls):
        raise SetupError("message.setup.no_urls", file=file)
    if len(urls) > MOST_SERVICES:
        raise SetupError("message.setup.too_many_urls", file=file, most=MOST_SERVICES)
    services = []
    for position, url in enumerate(urls, 1):
        scheme = SCHEME.fullmatch(url.strip())
        if scheme is None:
            raise SetupError("message.setup.no_address", file=file, position=position)
        services.append(Service(position, scheme[1].lower(), url.strip()))
    return tuple(services)


def _kinds(names: Any, file: str) -> frozenset[NoticeKind]:
    if names is None:
        return frozenset(CHOICES)
    if not isinstance(names, list):
        raise SetupError("message.setup.on_is_no_list", file=file)
    known = [kind.value for kind in CHOICES]
    for name in names:
        if name in known:
            continue
        near = nearest(name, known) if isinstance(name, str) else None
        if near is not None:
            raise SetupError("message.setup.unknown_kind_near", file=file, near=near)
        raise SetupError("message.setup.unknown_kind", file=file, known=", ".join(known))
    return frozenset(NoticeKind(name) for name in names)
