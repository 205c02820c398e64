"""Photos read by processes of this computer: one photo in each, and a pipe to each.

Every process has a pipe of its own and shares no lock, so one that dies takes nothing with it: the
photo that it was reading is given to another, and, if that dies too, told as not read.
"""

import multiprocessing
import pickle
import signal
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any

from polypvision.batch.hands import died
from polypvision.batch.limits import processors
from polypvision.errors import BatchError
from polypvision.plates.reader import Brief, Finding, PhotoTask
from polypvision.threads import threads_each

_AHEAD = 2
"""Tasks given to a process: one that it reads, one that it need not wait for."""
_PER_PROCESS = 4
"""Tasks under way or done and waiting for their turn, for each process."""
_TRIES = 2
_STARTS = 3
"""Processes that may die before they are ready, one after the other, until that is given up."""
_STOP_S = 5.0


def work(connection: "Connection[Any, Any]") -> None:
    """Read what is asked for, until the other end is closed. Runs in a process of its own."""
    # Ctrl-C in a terminal reaches every process; the one that records decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        threads, brief = pickle.loads(connection.recv_bytes())
        reader = _prepared(threads, brief)
        connection.send(None)
        while True:
            number, task = connection.recv()
            connection.send((number, reader.read(task)))
    except (EOFError, OSError):
        return  # The process that started this one is gone, or wants no more.


def _prepared(threads: int, brief: Brief) -> Any:
    import cv2

    from polypvision.plates.reader import PhotoReader

    cv2.setNumThreads(threads)  # The networks take as many.
    return PhotoReader(brief)


@dataclass(eq=False)
class _Worker:
    process: SpawnProcess
    connection: "Connection[Any, Any]"
    ready: bool = False
    given: deque[int] = field(default_factory=deque)


class Processes:
    """Reads with so many processes; starts them when there is something for them to read."""

    def __init__(self, brief: Brief, jobs: int) -> None:
        self._jobs = jobs
        self._threads = max(1, processors() // jobs)
        self._message = pickle.dumps((self._threads, brief))
        self._context = multiprocessing.get_context("spawn")
        self._workers: list[_Worker] = []
        self._tasks: dict[int, PhotoTask] = {}
        self._waiting: deque[int] = deque()
        self._tries: dict[int, int] = {}
        self._failed_starts = 0

    @property
    def pids(self) -> list[int]:
        """Ids of the processes, for those who watch them."""
        return [worker.process.pid for worker in self._workers if worker.process.pid]

    def room(self) -> int:
        """Return how many tasks may be under way or waiting."""
        return _PER_PROCESS * self._jobs

    def begin(self, number: int, task: PhotoTask) -> None:
        """Take a task."""
        self._tasks[number] = task
        self._tries[number] = 0
        self._waiting.append(number)
        self._give()

    def finished(self) -> list[tuple[int, Finding]]:
        """Wait until at least one task is done.

        Raises
        ------
        BatchError
            If no process can be started.
        """
        done: list[tuple[int, Finding]] = []
        while not done:
            self._give()
            ends: dict[Any, _Worker] = {one.connection: one for one in self._workers}
            for end in wait(list(ends)):
                done += self._hear(ends[end])
        return done

    def _give(self) -> None:
        """Start processes and hand tasks to them."""
        wanted = min(self._jobs, len(self._tasks))
        while len(self._workers) < wanted:
            self._workers.append(self._started())
        # Whoever has least is served first, so that none has two while another has none.
        for depth in range(_AHEAD):
            for worker in list(self._workers):
                if worker.ready and len(worker.given) <= depth and self._waiting:
                    self._hand_over(worker, self._waiting.popleft())

    def _hand_over(self, worker: _Worker, number: int) -> None:
        worker.given.append(number)
        with suppress(OSError):  # It died; its pipe says so when it is listened to.
            worker.connection.send((number, self._tasks[number]))

    def _started(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=work, args=(theirs,), name="polypvision-reader", daemon=True
        )
        with threads_each(self._threads):
            process.start()
        theirs.close()
        worker = _Worker(process=process, connection=ours)
        with suppress(OSError):  # It died; see `_hand_over`.
            ours.send_bytes(self._message)
        return worker

    def _hear(self, worker: _Worker) -> list[tuple[int, Finding]]:
        try:
            message = worker.connection.recv()
        except (EOFError, OSError):
            return self._bury(worker)
        if message is None:
            worker.ready, self._failed_starts = True, 0
            return []
        number, finding = message
        worker.given.remove(number)
        self._forget(number)
        return [(number, finding)]

    def _forget(self, number: int) -> PhotoTask:
        del self._tries[number]
        return self._tasks.pop(number)

    def _bury(self, worker: _Worker) -> list[tuple[int, Finding]]:
        """A process died: its photo is tried once more, what it had not begun goes to others."""
        self._workers.remove(worker)
        worker.connection.close()
        worker.process.join(_STOP_S)
        how = _how(worker.process.exitcode)
        if not worker.ready:
            self._failed_starts += 1
            if self._failed_starts >= _STARTS:
                raise BatchError(
                    f"The processes that should read end as soon as they start ({how}). Read with "
                    "--jobs 1, or close other programs to free memory."
                )
        guilty = worker.given.popleft() if worker.given else None
        self._waiting.extendleft(reversed(worker.given))
        if guilty is None:
            return []
        self._tries[guilty] += 1
        if self._tries[guilty] < _TRIES:
            self._waiting.appendleft(guilty)
            return []
        return [(guilty, died(self._forget(guilty), how))]

    def close(self) -> None:
        """Stop all processes at once."""
        for worker in self._workers:
            worker.connection.close()
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join(_STOP_S)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join(_STOP_S)
        self._workers.clear()


def _how(code: int | None) -> str:
    if code is None:
        return "it does not answer"
    if code >= 0:
        return f"exit status {code}"
    try:
        return f"signal {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"
