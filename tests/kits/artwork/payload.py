"""What code in a captured decoder would try, as a worker module of its own.

It is started as the product starts its worker, takes the request from the same socket, confines
itself by the same call, and then tries each attempt. The picture it "measures" names the victims.
Numbers of system calls: Linux 6.1, unistd.h of x86-64 and of the generic table (aarch64).
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import platform
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.artwork.loading.readable import ReadableFile
from controller.artwork.worker import Work, serve

MODULE = "tests.kits.artwork.payload"

_X86, _ARM = "x86_64", "aarch64"
NUMBERS = {
    "ptrace": {_X86: 101, _ARM: 117},
    "process_vm_readv": {_X86: 310, _ARM: 270},
    "mount": {_X86: 165, _ARM: 40},
    "unshare": {_X86: 272, _ARM: 97},
    "setns": {_X86: 308, _ARM: 268},
    "io_uring_setup": {_X86: 425, _ARM: 425},
    "bpf": {_X86: 321, _ARM: 280},
    "userfaultfd": {_X86: 323, _ARM: 282},
    "add_key": {_X86: 248, _ARM: 217},
    "keyctl": {_X86: 250, _ARM: 219},
    "open_by_handle_at": {_X86: 304, _ARM: 265},
    "name_to_handle_at": {_X86: 303, _ARM: 264},
    "pidfd_open": {_X86: 434, _ARM: 434},
    "memfd_create": {_X86: 319, _ARM: 279},
    "execveat": {_X86: 322, _ARM: 281},
    "perf_event_open": {_X86: 298, _ARM: 241},
    "init_module": {_X86: 175, _ARM: 105},
    "shmget": {_X86: 29, _ARM: 194},
    "openat2": {_X86: 437, _ARM: 437},
    "chroot": {_X86: 161, _ARM: 51},
    "setuid": {_X86: 105, _ARM: 146},
    "prctl": {_X86: 157, _ARM: 167},
}

Attempt = Callable[[], object]


def call(libc: ctypes.CDLL, name: str, *arguments: Any) -> int:
    """Make a system call. Raises: OSError."""
    number = NUMBERS[name][platform.machine()]
    result: int = libc.syscall(number, *arguments)
    if result < 0:
        raise OSError(ctypes.get_errno(), name)
    return result


def attempts(libc: ctypes.CDLL, victim: dict[str, Any]) -> dict[str, Attempt]:
    """Return what is tried, by name.

    :param victim: ``port`` and ``unix`` to connect to, ``files`` to read, ``folder`` to write in,
        ``pid`` of the process to attack, ``address`` of eight bytes in it.
    """
    folder, pid = Path(victim["folder"]), int(victim["pid"])
    buffer = ctypes.create_string_buffer(4096)
    here = (ctypes.c_uint64 * 2)(ctypes.addressof(buffer), 8)
    there = (ctypes.c_uint64 * 2)(int(victim["address"]), 8)

    def connect(family: int, address: Any) -> None:
        with socket.socket(family) as outside:
            outside.connect(address)

    def execute() -> None:
        os.posix_spawn("/bin/true", ["true"], {})

    def fork() -> None:
        if os.fork() == 0:
            os._exit(0)

    def executable_memory() -> None:
        libc.mmap.restype = ctypes.c_void_p
        place = libc.mmap(None, ctypes.c_size_t(4096), 7, 0x22, -1, ctypes.c_long(0))
        if place in (None, ctypes.c_void_p(-1).value):
            raise OSError(ctypes.get_errno(), "mmap")

    def run_from_memory() -> None:
        descriptor = call(libc, "memfd_create", b"x", 0)
        os.write(descriptor, b"#!/bin/sh\n")

    listed: dict[str, Attempt] = {
        "connect over TCP": lambda: connect(socket.AF_INET, ("127.0.0.1", int(victim["port"]))),
        "connect to a Unix socket": lambda: connect(socket.AF_UNIX, victim["unix"]),
        "make a pair of sockets": socket.socketpair,
        **{
            f"read {Path(it).name}": lambda it=it: os.open(it, os.O_RDONLY)
            for it in victim["files"]
        },
        "list a directory": lambda: os.listdir(folder),
        "look whether a file is there": lambda: os.stat(victim["files"][0]),
        "write a file": lambda: os.open(folder / "new", os.O_WRONLY | os.O_CREAT),
        "remove a file": lambda: os.unlink(folder / "gone"),
        "rename a file": lambda: os.rename(folder / "old", folder / "moved"),
        "make a link": lambda: os.symlink("/", folder / "link"),
        "make a directory": lambda: os.mkdir(folder / "made"),
        "change permissions": lambda: os.chmod(folder / "mode", 0o777),
        "change permissions of the artwork": lambda: os.fchmod(victim["artwork"], 0o777),
        "open a device": lambda: os.open("/dev/null", os.O_RDWR),
        "read the other's memory by a file": lambda: os.open(f"/proc/{pid}/mem", os.O_RDONLY),
        "read the other's memory by a call": lambda: call(
            libc, "process_vm_readv", pid, here, 1, there, 1, 0
        ),
        "trace the other": lambda: call(libc, "ptrace", 0x4206, pid, None, None),
        "signal the other": lambda: os.kill(pid, signal.SIGCONT),
        "take hold of the other": lambda: call(libc, "pidfd_open", pid, 0),
        "fork": fork,
        "execute a program": execute,
        "make a file in memory to execute": run_from_memory,
        "execute by descriptor": lambda: call(libc, "execveat", 0, b"", None, None, 0x1000),
        "map memory to write and execute": executable_memory,
        "mount": lambda: call(libc, "mount", b"none", str(folder).encode(), b"tmpfs", 0, None),
        "leave the namespaces": lambda: call(libc, "unshare", 0x10000000),
        "enter a namespace": lambda: call(libc, "setns", 0, 0),
        "change the root": lambda: call(libc, "chroot", b"/"),
        "change the user": lambda: call(libc, "setuid", 0),
        "set up io_uring": lambda: call(libc, "io_uring_setup", 4, buffer),
        "load a BPF program": lambda: call(libc, "bpf", 0, buffer, 48),
        "open userfaultfd": lambda: call(libc, "userfaultfd", 1),
        "add a key": lambda: call(libc, "add_key", b"user", b"k", b"v", 1, -2),
        "read a keyring": lambda: call(libc, "keyctl", 0, -3, 0),
        "open by handle": lambda: call(libc, "open_by_handle_at", -100, buffer, 0),
        "make a handle": lambda: call(
            libc, "name_to_handle_at", -100, b"/", buffer, ctypes.byref(ctypes.c_int()), 0
        ),
        "open by openat2": lambda: call(libc, "openat2", -100, b"/", (ctypes.c_uint64 * 3)(), 24),
        "watch performance": lambda: call(libc, "perf_event_open", buffer, 0, -1, -1, 0),
        "load a kernel module": lambda: call(libc, "init_module", buffer, 1, b""),
        "share memory": lambda: call(libc, "shmget", 0, 4096, 0o1600),
        "take the filter off": lambda: call(libc, "prctl", 22, 0, 0, 0, 0),
        "become dumpable": lambda: call(libc, "prctl", 4, 1, 0, 0, 0),
    }
    return listed


def outcomes(listed: dict[str, Attempt]) -> dict[str, str | None]:
    """Return for each attempt the name of the error that refused it, or None when it worked."""
    found: dict[str, str | None] = {}
    for name, attempt in listed.items():
        try:
            attempt()
        except OSError as error:
            found[name] = errno.errorcode.get(error.errno or 0, str(error))
        else:
            found[name] = None
    return found


def attacking(request: dict[str, Any], file: ReadableFile) -> Work:
    """Return the attack. The artwork is the list of victims."""
    libc = ctypes.CDLL(None, use_errno=True)
    victim = json.loads(file.read_bytes())
    listed = attempts(libc, {**victim, "artwork": request.get("descriptor", 3)})
    return lambda _picture: outcomes(listed)


if __name__ == "__main__":
    sys.exit(serve(attacking))
