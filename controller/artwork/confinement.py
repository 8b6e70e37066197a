"""Confines this process for good, before it reads a file that somebody sent.

The decoders of PNG, TIFF, JPEG, PDF and SVG are large C, C++ and Rust libraries. A mistake in one
of them may run code from the file. After ``confine`` such code can compute, read the
one file and answer. Everything that a reviewer must trust for that is in this module.

Two layers, each enough to keep every other file closed:

- A system-call filter (seccomp) that lets through what is listed here and answers EPERM to all
  else: no opening, no network, no new process, no signal, no memory of another process, no memory
  that is both new and executable. A list of what is allowed stays right when a new kernel brings
  new calls; a list of what is forbidden would not.
- Landlock without a single exception, where the kernel has it: no file may be opened, no signal
  sent, no socket reached. There is no maintained Python binding; two system calls do it.

libseccomp is used directly: every Debian has it (systemd needs it), it knows the numbers of the
calls on each processor, and its Python bindings are either the system's own or unmaintained.
Sources: seccomp(2), seccomp_rule_add(3), landlock(7), capabilities(7), prctl(2).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import resource
import signal
import socket

from controller.errors import BiteclockError

_READING = ("read", "readv", "pread64", "lseek", "close", "pipe2", "dup", "dup2", "dup3")
_WRITING = ("write", "writev")
_MEMORY = ("brk", "munmap", "mremap", "madvise")
_TIME = ("clock_gettime", "clock_gettime64", "gettimeofday", "getrusage")
_SIGNALS = ("rt_sigaction", "rt_sigprocmask", "rt_sigreturn", "sigreturn", "sigaltstack")
_ITSELF = (
    *("futex", "futex_time64", "sched_yield", "sched_getaffinity", "getrandom"),
    *("getpid", "gettid", "restart_syscall", "exit", "exit_group"),
)
_ALLOWED = _READING + _WRITING + _MEMORY + _TIME + _SIGNALS + _ITSELF
"""``dup`` and ``pipe2`` catch what a decoder prints. Writing goes to the answer and to standard
error: nothing else that can be written to is open."""

_PROT_EXEC = 4
_NOT_EXECUTABLE = ("mmap", "mmap2", "mprotect")
_FCNTL = (fcntl.F_DUPFD_CLOEXEC, fcntl.F_GETFD, fcntl.F_GETFL)
"""``F_SETOWN`` is left out: with it, data on a socket signals any process of this user."""

_ACT_ALLOW, _ACT_KILL_PROCESS, _ACT_EPERM = 0x7FFF0000, 0x80000000, 0x00050000 | errno.EPERM
_ON_OTHER_PROCESSOR_KIND = 2
_EQUAL, _MASKED_EQUAL = 4, 7

_PR_SET_PDEATHSIG, _PR_SET_DUMPABLE, _PR_CAPBSET_DROP, _PR_SET_NO_NEW_PRIVS = 1, 4, 24, 38
_CAPABILITY_VERSION_3 = 0x20080522

_LANDLOCK_CREATE_RULESET, _LANDLOCK_RESTRICT_SELF = 444, 446
"""Numbers of the calls, the same on all processors."""
_LANDLOCK_FILE_RIGHTS = {1: 13, 2: 14, 3: 15, 4: 15}
"""Kinds of access to files that each version of Landlock knows; from version 5 on there are 16."""

_MOST_OPEN_FILES = 32


class UnconfinedError(BiteclockError, OSError):
    """Nothing here can confine a process. The message says what is missing."""


class _Argument(ctypes.Structure):
    """A condition on one argument of a call. Source: seccomp.h of libseccomp."""

    _fields_ = (
        ("number", ctypes.c_uint),
        ("operation", ctypes.c_int),
        ("first", ctypes.c_uint64),
        ("second", ctypes.c_uint64),
    )


def missing() -> BiteclockError | None:
    """Return what keeps a process of this machine from being confined, or None.

    A look at the library and the kernel. ``confine`` itself is the proof.
    """
    try:
        _library()
        with open("/proc/sys/kernel/seccomp/actions_avail", encoding="ascii") as file:
            if "errno" not in file.read().split():
                raise UnconfinedError("artwork.worker.no_seccomp")
    except UnconfinedError as error:
        return error
    except OSError:
        return UnconfinedError("artwork.worker.no_seccomp")
    return None


def limit(memory_limit_mb: int, cpu_limit_s: int) -> None:
    """Limit this process. Call it before anything large is imported.

    Memory is limited twice: written memory (data) to ``memory_limit_mb``, and the address space
    to 600 MB more, for the libraries' mappings.
    """
    data = memory_limit_mb * 1_000_000
    _lower(resource.RLIMIT_DATA, data)
    _lower(resource.RLIMIT_AS, data + 600_000_000)
    # The first limit sends a signal that names the reason; the second one kills.
    _lower(resource.RLIMIT_CPU, cpu_limit_s, cpu_limit_s + 1)
    _lower(resource.RLIMIT_CORE, 0)


def confine() -> None:
    """Confine this process and check that it holds. Nothing can be imported afterwards.

    Raises: UnconfinedError. Then part of it may be in force.
    """
    _lower(resource.RLIMIT_FSIZE, 0)
    _lower(resource.RLIMIT_NOFILE, _MOST_OPEN_FILES)
    _lower(resource.RLIMIT_NPROC, 0)
    libc, library = ctypes.CDLL(None, use_errno=True), _library()
    # An orphan ends, and no other process of this user looks into its memory.
    libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    libc.prctl(_PR_SET_DUMPABLE, 0, 0, 0, 0)
    _drop_capabilities(libc)
    if libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0):
        raise UnconfinedError("artwork.worker.no_seccomp")
    _close_files(libc)
    _filter_calls(library)
    _check()


def _lower(what: int, limit: int, hard_limit: int | None = None) -> None:
    _, hard = resource.getrlimit(what)
    wanted = limit if hard_limit is None else hard_limit
    ceiling = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    resource.setrlimit(what, (min(limit, ceiling), ceiling))


def _drop_capabilities(libc: ctypes.CDLL) -> None:
    """Give up all privileges, which only a worker started by root has."""
    for capability in range(64):
        libc.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0)  # refused unless root
    header = (ctypes.c_uint32 * 2)(_CAPABILITY_VERSION_3, 0)
    libc.capset(header, (ctypes.c_uint32 * 6)())


def _close_files(libc: ctypes.CDLL) -> None:
    """Forbid with Landlock every access to files, TCP ports, other processes. Older kernels: less.

    Raises: UnconfinedError when a kernel that has Landlock refuses it.
    """
    version = libc.syscall(_LANDLOCK_CREATE_RULESET, None, 0, 1)
    if version < 1:
        return  # an older kernel: the filter alone keeps files closed
    rights = (1 << _LANDLOCK_FILE_RIGHTS.get(version, 16)) - 1
    ports, scopes = (3 if version >= 4 else 0), (3 if version >= 6 else 0)
    handled = (ctypes.c_uint64 * 3)(rights, ports, scopes)
    ruleset = libc.syscall(_LANDLOCK_CREATE_RULESET, handled, ctypes.sizeof(handled), 0)
    if ruleset < 0 or libc.syscall(_LANDLOCK_RESTRICT_SELF, ruleset, 0):
        raise UnconfinedError("artwork.worker.no_landlock", error=os.strerror(ctypes.get_errno()))
    os.close(ruleset)


def _filter_calls(library: ctypes.CDLL) -> None:
    """Let the kernel refuse every call but those listed. Raises: UnconfinedError."""
    rules = library.seccomp_init(ctypes.c_uint32(_ACT_EPERM))
    if not rules:
        raise UnconfinedError("artwork.worker.no_seccomp")

    def allow(name: str, *conditions: _Argument) -> int:
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number < 0:  # another processor's call
            return 0
        listed = (_Argument * len(conditions))(*conditions)
        result: int = library.seccomp_rule_add_array(
            ctypes.c_void_p(rules), ctypes.c_uint32(_ACT_ALLOW), number, len(conditions), listed
        )
        return result

    results = [
        library.seccomp_attr_set(
            ctypes.c_void_p(rules), _ON_OTHER_PROCESSOR_KIND, ctypes.c_uint32(_ACT_KILL_PROCESS)
        )
    ]
    results += [allow(name) for name in _ALLOWED]
    results += [allow(name, _Argument(2, _MASKED_EQUAL, _PROT_EXEC, 0)) for name in _NOT_EXECUTABLE]
    for name in ("fcntl", "fcntl64"):
        results += [allow(name, _Argument(1, _EQUAL, command, 0)) for command in _FCNTL]
    results.append(allow("tgkill", _Argument(0, _EQUAL, os.getpid(), 0)))  # a library that aborts
    results.append(library.seccomp_load(ctypes.c_void_p(rules)))
    if any(results):
        raise UnconfinedError("artwork.worker.no_seccomp")


def _library() -> ctypes.CDLL:
    """Return libseccomp. Raises: UnconfinedError when it is not installed."""
    try:
        library = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    except OSError as error:
        raise UnconfinedError("artwork.worker.no_library") from error
    library.seccomp_init.restype = ctypes.c_void_p
    return library


def _check() -> None:
    """Try what must fail. Raises: UnconfinedError when it works."""
    for attempt in (
        lambda: os.open("/", os.O_RDONLY),
        socket.socket,
        lambda: os.kill(os.getppid(), 0),
    ):
        try:
            attempt()
        except OSError:
            continue
        raise UnconfinedError("artwork.worker.not_in_force")
