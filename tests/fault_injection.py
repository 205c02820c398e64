"""Faults of the machine, put upon a forked child: killed, disk full, failing disk, no memory.

Only for Linux. What is done under a fault says which records it was told are kept (`Ack`); the
parent reads that after the child's end, as a person would have read it on the screen.
"""

import contextlib
import ctypes
import os
import platform
import random
import resource
import select
import shutil
import signal
import struct
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from polypvision.errors import PolypvisionError

Ack = Callable[[str], None]
Before = Callable[[int], None]
"""Done in the child before its work; told the pipe, which must go on working."""

_DONE, _TOLD, _FAULT = "=done", "=told", "=fault"
_LONGEST_S = 120.0


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a child ended.

    Attributes
    ----------
    acks : tuple of str
        What it was told is kept, in order.
    how : {'done', 'told', 'killed', 'fault'}
        It did all; it said in words why not; it was killed; it ended in any other way.
    words : str
    took_s : float
    """

    acks: tuple[str, ...]
    how: str
    words: str
    took_s: float


@dataclass(frozen=True, kw_only=True)
class Kill:
    """When a child is killed: so long after its start, or after the ack of that number."""

    after_s: float
    after_acks: int = 0


@dataclass(frozen=True, kw_only=True)
class Child:
    """A forked child at work."""

    pid: int
    pipe: int
    start: float

    def finish(self, kill: Kill | None = None) -> Ended:
        """Wait for its end, or bring it about."""
        said = _listen(self.pipe, self.pid, kill, self.start)
        os.waitpid(self.pid, 0)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)  # Helpers that it left behind.
        took_s = time.monotonic() - self.start
        lines = said.decode("utf-8", "replace").split("\n")[:-1]
        acks = tuple(line for line in lines if not line.startswith("="))
        last = next((line for line in lines if line.startswith("=")), "")
        how = {"": "killed", _DONE: "done", _TOLD: "told"}.get(last.partition(" ")[0], "fault")
        return Ended(acks=acks, how=how, words=last.partition(" ")[2], took_s=took_s)


def start_child(work: Callable[[Ack], None], before: Before | None = None) -> Child:
    """Fork a child that does something."""
    sys.stdout.flush()
    sys.stderr.flush()
    reading, writing = os.pipe()
    start = time.monotonic()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        os.setpgid(0, 0)
        _be_child(work, writing, before)
    os.close(writing)
    with contextlib.suppress(OSError):
        os.setpgid(pid, pid)
    return Child(pid=pid, pipe=reading, start=start)


def in_child(
    work: Callable[[Ack], None], *, kill: Kill | None = None, before: Before | None = None
) -> Ended:
    """Do something in a forked child and return how it ended."""
    return start_child(work, before).finish(kill)


def _be_child(work: Callable[[Ack], None], pipe: int, before: Before | None) -> None:
    def say(line: str) -> None:
        os.write(pipe, (" ".join(line.split()) + "\n").encode())

    status = 1
    try:
        silence = os.open(os.devnull, os.O_WRONLY)
        for stream in (1, 2):
            os.dup2(silence, stream)
        if before is not None:
            before(pipe)
        work(say)
        say(_DONE)
        status = 0
    except PolypvisionError as error:
        say(f"{_TOLD} {error.kind}: {error}")
    except MemoryError:
        say(f"{_TOLD} memory")  # The command line says this in words; nothing more is left to us.
    except BaseException:
        say(f"{_FAULT} {traceback.format_exc()[-1500:]}")
    finally:
        os._exit(status)


def _listen(pipe: int, child: int, kill: Kill | None, start: float) -> bytes:
    said, due = b"", start + _LONGEST_S
    if kill is not None and not kill.after_acks:
        due = start + kill.after_s
    with os.fdopen(pipe, "rb", buffering=0) as stream:
        while True:
            wait = max(0.0, due - time.monotonic())
            ready, _, _ = select.select([stream], [], [], wait)
            if not ready:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(child, signal.SIGKILL)
                due = time.monotonic() + _LONGEST_S
                continue
            piece = stream.read(65536)
            if not piece:
                return said
            said += piece
            if kill is not None and kill.after_acks and said.count(b"\n") >= kill.after_acks:
                due = min(due, time.monotonic() + kill.after_s)


# Full disks, and disks that may not be written.


def may_mount() -> bool:
    """Whether a small file system of our own can be mounted here (by root, as a rule)."""
    with contextlib.suppress(OSError, subprocess.SubprocessError):
        folder = Path("/tmp") / f"polypvision-mount-{os.getpid()}"
        folder.mkdir()
        try:
            with small_disk(folder, 64):
                return True
        finally:
            folder.rmdir()
    return False


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[None]:
    """A disk of that size in memory, mounted on a folder."""
    _run("mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder))
    try:
        yield
    finally:
        _run("umount", "-l", str(folder))


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """A mounted folder that may not be written meanwhile."""
    _run("mount", "-o", "remount,ro", str(folder))
    try:
        yield
    finally:
        _run("mount", "-o", "remount,rw", str(folder))


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True)


@contextmanager
def nearly_full(folder: Path, free_bytes: int) -> Iterator[None]:
    """A disk with so much left, until the block ends."""
    filler = folder / "filler"
    left = shutil.disk_usage(folder).free
    with filler.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(1, left - free_bytes))
    try:
        yield
    finally:
        filler.unlink()


def short_files(most_bytes: int) -> Before:
    """Files may not grow beyond a size: writing fails where it comes to that (setrlimit(2))."""

    def before(_: int) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    return before


def little_memory(more_bytes: int) -> Before:
    """No more memory than now and so much (RLIMIT_AS)."""

    def before(_: int) -> None:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + more_bytes
        resource.setrlimit(resource.RLIMIT_AS, (most, most))

    return before


def other_user() -> Before:
    """Work as nobody, who may not write here."""

    def before(_: int) -> None:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)

    return before


# Errors of the disk: the kernel answers chosen calls of this process with EIO (seccomp(2)).

_CALLS = {
    "x86_64": {"read": 0, "pread": 17, "write": 1, "pwrite": 18, "fsync": 74, "fdatasync": 75,
               "ftruncate": 77, "rename": 82},
    "aarch64": {"read": 63, "pread": 67, "write": 64, "pwrite": 68, "fsync": 82, "fdatasync": 83,
                "ftruncate": 46, "rename": 38},
}  # fmt: skip
FAILING = ("pread", "write", "pwrite", "fsync", "fdatasync", "ftruncate", "rename")
_SECCOMP = {"x86_64": 317, "aarch64": 277}
_LOAD, _EQUAL, _RETURN = 0x20, 0x15, 0x06
_ALLOW, _ERRNO, _EIO = 0x7FFF0000, 0x00050000, 5


def can_fail_calls() -> bool:
    """Whether the kernel can be asked to fail calls here."""
    if platform.machine() not in _CALLS:
        return False

    def work(_: Ack) -> None:
        _fail_calls(("fsync",), 2)
        with Path(os.devnull).open("wb") as file:
            try:
                os.fsync(file.fileno())
            except OSError as error:
                if error.errno == _EIO:
                    return
        raise RuntimeError

    return in_child(work).how == "done"


def _fail_calls(names: tuple[str, ...], spared: int) -> None:
    """From now on these calls fail in all threads, but for writing to one file (the pipe)."""
    numbers = [_CALLS[platform.machine()][name] for name in names]
    # Load the number of the call; for a write, spare the pipe; fail the chosen ones.
    write = _CALLS[platform.machine()]["write"]
    steps = [
        (_LOAD, 0, 0, 0),
        (_EQUAL, 0, 3, write),
        (_LOAD, 0, 0, 16),
        (_EQUAL, 0, 1, spared),
        (_RETURN, 0, 0, _ALLOW),
        (_LOAD, 0, 0, 0),
    ]
    for index, number in enumerate(numbers):
        steps.append((_EQUAL, len(numbers) - index, 0, number))
    steps += [(_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _ERRNO | _EIO)]
    code = b"".join(struct.pack("HBBI", *step) for step in steps)
    held = ctypes.create_string_buffer(code)
    program = ctypes.create_string_buffer(
        struct.pack("HxxxxxxQ", len(steps), ctypes.addressof(held))
    )
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(38, 1, 0, 0, 0)  # PR_SET_NO_NEW_PRIVS
    # SECCOMP_SET_MODE_FILTER with SECCOMP_FILTER_FLAG_TSYNC: all threads.
    if libc.syscall(_SECCOMP[platform.machine()], 1, 1, program) != 0:
        raise OSError(ctypes.get_errno(), "seccomp")


def failing_calls(names: tuple[str, ...], after_s: float) -> Before:
    """These calls fail from a moment on, in the midst of whatever goes on."""

    def before(pipe: int) -> None:
        if after_s <= 0:
            _fail_calls(names, pipe)
            return
        timer = threading.Timer(after_s, _fail_calls, (names, pipe))
        timer.daemon = True
        timer.start()

    return before


# The clock.


def clock_off_by(seconds: float) -> Before:
    """All of polypvision sees another time."""

    def before(_: int) -> None:
        set_clock(seconds)

    return before


def set_clock(seconds: float) -> None:
    """From now on, in this process, `datetime.now` and `time.time` are off by so much."""
    import datetime as module

    real: Any = module.datetime
    now = time.time

    class Kind(type):
        def __instancecheck__(cls, one: object) -> bool:
            return isinstance(one, real)

    class Off(real, metaclass=Kind):  # type: ignore[misc]  # Known only while it runs.
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return real.now(tz) + module.timedelta(seconds=seconds)

    for name, one in list(sys.modules.items()):
        if name.startswith("polypvision") and vars(one).get("datetime") is real:
            vars(one)["datetime"] = Off
    time.time = lambda: now() + seconds


def chance(seed: int, *what: object) -> random.Random:
    """The same chance for the same try."""
    return random.Random(f"{seed} {what}")
