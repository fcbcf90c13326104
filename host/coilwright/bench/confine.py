"""MicroPython in a process that can do little: `python -P confine.py`, see `main`.

Run as a file, since a board starts in the time that the package's imports would take.

MicroPython's unix build is no sandbox: whoever has its prompt has `os.system`, the whole file
system (also by `..` and by a mount of his own), sockets and, by native code, everything the process
may do. So the system takes it away before the interpreter starts: Landlock leaves the flash, and to
read, the firmware and the shim; a filter leaves the few system calls that MicroPython makes. Both
hold for native code, too, and cannot be undone.

Sources: landlock(7), seccomp(2), and the kernel's headers linux/landlock.h, linux/seccomp.h,
linux/filter.h, linux/audit.h and asm/unistd_64.h.
"""

from __future__ import annotations

import ctypes
import os
import signal
import struct
import sys
from collections.abc import Iterable, Mapping

MOST_MEMORY_BYTES = 1 << 30
LARGEST_FILE_BYTES = 32 << 20
MOST_FILES = 64

_PR_SET_SECCOMP, _PR_SET_NO_NEW_PRIVS = 22, 38
_SECCOMP_MODE_FILTER = 2
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
_RULESET_VERSION = 1
_PATH_BENEATH = 1

_FILE_RIGHTS = {"execute": 1, "write": 1 << 1, "read": 1 << 2, "list": 1 << 3}
_READING = _FILE_RIGHTS["read"] | _FILE_RIGHTS["list"]
_REMOVING, _MAKING = 1 << 4 | 1 << 5, 1 << 7 | 1 << 8  # folders and plain files, no links, no nodes
_REFER, _TRUNCATE = 1 << 13, 1 << 14
_WRITING = _READING | _FILE_RIGHTS["write"] | _REMOVING | _MAKING | _REFER | _TRUNCATE
_ALL_OF_ABI = (0, (1 << 13) - 1, (1 << 14) - 1, (1 << 15) - 1, (1 << 15) - 1, (1 << 16) - 1)
"""Every right to files that a version of Landlock knows."""
_BIND_AND_CONNECT = 3  # from version 4 on
_NO_SOCKETS_NO_SIGNALS = 3  # to processes outside; from version 6 on

_AUDIT_ARCH_X86_64 = 0xC000003E
_CALLS = {
    "read": 0, "write": 1, "open": 2, "close": 3, "stat": 4, "fstat": 5, "lstat": 6, "poll": 7,
    "lseek": 8, "mmap": 9, "mprotect": 10, "munmap": 11, "brk": 12, "rt_sigaction": 13,
    "rt_sigprocmask": 14, "rt_sigreturn": 15, "pread64": 17, "readv": 19, "writev": 20,
    "access": 21, "select": 23, "sched_yield": 24, "mremap": 25, "madvise": 28, "nanosleep": 35,
    "getpid": 39, "exit": 60, "fsync": 74, "ftruncate": 77, "getcwd": 79, "chdir": 80,
    "rename": 82, "mkdir": 83, "rmdir": 84, "unlink": 87, "readlink": 89, "gettimeofday": 96,
    "sigaltstack": 131, "statfs": 137, "fstatfs": 138, "time": 201, "futex": 202,
    "getdents64": 217, "restart_syscall": 219, "clock_gettime": 228, "clock_nanosleep": 230,
    "exit_group": 231, "openat": 257, "newfstatat": 262, "readlinkat": 267, "pselect6": 270,
    "ppoll": 271, "getrandom": 318, "statx": 332,
}  # fmt: skip
"""What MicroPython's unix build and the end of a Python process call on x86-64, by number."""

KEPT_VARIABLES = (
    "HOME", "LANG", "LC_ALL", "LD_LIBRARY_PATH", "PATH", "PYTHONHOME", "PYTHONPATH", "TMPDIR",
)  # fmt: skip
"""What Python needs to start. The others may hold secrets, and a board has none."""


def possible() -> bool:
    """Whether this system can do it: Linux on x86-64 with Landlock (5.13) and its filters."""
    if sys.platform != "linux" or os.uname().machine != "x86_64" or sys.maxsize < 1 << 32:
        return False
    # A filter at address 0: a kernel that has filters finds fault with the address.
    libc = _libc()
    filters = libc.prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, 0, 0, 0)
    return _landlock_version(libc) > 0 and filters == -1 and ctypes.get_errno() == 14


def variables(found: Mapping[str, str]) -> dict[str, str]:
    """The environment of the interpreter."""
    return {name: found[name] for name in KEPT_VARIABLES if name in found}


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _landlock_version(libc: ctypes.CDLL) -> int:
    return int(libc.syscall(_CREATE_RULESET, None, ctypes.c_size_t(0), _RULESET_VERSION))


def _checked(result: int) -> int:
    if result < 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    return result


def _shut_files(libc: ctypes.CDLL, writable: str, readable: Iterable[str]) -> None:
    version = _landlock_version(libc)
    rights = _ALL_OF_ABI[min(version, len(_ALL_OF_ABI) - 1)]
    attributes = [rights]
    if version >= 4:
        attributes.append(_BIND_AND_CONNECT)
    if version >= 6:
        attributes.append(_NO_SOCKETS_NO_SIGNALS)
    told = struct.pack(f"={len(attributes)}Q", *attributes)
    ruleset = _checked(libc.syscall(_CREATE_RULESET, told, ctypes.c_size_t(len(told)), 0))
    for folder, wanted in ((writable, _WRITING), *((path, _READING) for path in readable)):
        place = os.open(folder, os.O_PATH | os.O_CLOEXEC)  # type: ignore[attr-defined,unused-ignore]
        rule = struct.pack("=Qi", wanted & rights, place)
        _checked(libc.syscall(_ADD_RULE, ruleset, _PATH_BENEATH, rule, 0))
        os.close(place)
    _checked(libc.syscall(_RESTRICT_SELF, ruleset, 0))
    os.close(ruleset)


def _instruction(code: int, value: int, true: int = 0, false: int = 0) -> bytes:
    return struct.pack("=HBBI", code, true, false, value)


def _filter() -> bytes:
    """A program of linux/filter.h: end a foreign architecture, allow `_CALLS`, refuse the rest."""
    load, is_equal, answer = 0x20, 0x15, 0x06
    kill, allow, not_permitted = 0x80000000, 0x7FFF0000, 0x00050001
    numbers = sorted(_CALLS.values())
    program = [
        _instruction(load, 4),  # seccomp_data.arch
        _instruction(is_equal, _AUDIT_ARCH_X86_64, 1),
        _instruction(answer, kill),
        _instruction(load, 0),  # seccomp_data.nr
        *(_instruction(is_equal, number, len(numbers) - at) for at, number in enumerate(numbers)),
        _instruction(answer, not_permitted),
        _instruction(answer, allow),
    ]
    return b"".join(program)


def _shut_calls(libc: ctypes.CDLL) -> None:
    program = _filter()
    buffer = ctypes.create_string_buffer(program, len(program))
    told = struct.pack("@HP", len(program) // 8, ctypes.addressof(buffer))
    _checked(libc.prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, told, 0, 0))


def _limit() -> None:
    import resource

    limits = {
        resource.RLIMIT_CORE: 0,
        resource.RLIMIT_FSIZE: LARGEST_FILE_BYTES,
        resource.RLIMIT_NOFILE: MOST_FILES,
        resource.RLIMIT_NPROC: 0,
    }
    if sys.platform == "linux":
        limits[resource.RLIMIT_AS] = MOST_MEMORY_BYTES
    for name, most in limits.items():
        _, hard = resource.getrlimit(name)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(name, (most, most))


def confine(writable: str, readable: Iterable[str]) -> None:
    """Take from this process, for good, what a board's interpreter does not need.

    Args:
        writable: The folder that is the flash.
        readable: Folders that it may read besides.

    Raises:
        OSError: The system refuses; the process may be confined in part then, and should end.
    """
    libc = _libc()
    _checked(libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0))
    _shut_files(libc, writable, readable)
    _shut_calls(libc)


def main(arguments: list[str]) -> None:
    """Run MicroPython in a folder: `confined|loose FLASH READABLE… -- ITS ARGUMENTS`."""
    at = arguments.index("--")
    how, flash, *readable = arguments[:at]
    from micropython_unix import main as micropython

    os.chdir(flash)
    # How the shim ends the process at once: it writes where nobody listens any more.
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    sys.argv = ["micropython", *arguments[at + 1 :]]
    _limit()
    if how == "confined":
        confine(flash, readable)
    sys.exit(micropython())


if __name__ == "__main__":
    main(sys.argv[1:])
