"""Photos read by the workers of a Dask cluster.

The cluster reads and the caller records, so a record is written once whatever happens over there.
The scheduler gives what a dead worker was reading to another; if the scheduler itself is lost, the
caller waits for it to come back and asks again for all that was not answered.
"""

import pickle
import time
import uuid
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from polypvision.batch.fingerprint import Fingerprint, fingerprint
from polypvision.batch.hands import died
from polypvision.errors import ClusterError, ClusterOther
from polypvision.plates.reader import Brief, Finding, PhotoTask

if TYPE_CHECKING:
    from distributed import Client, Future

_CONNECT_S = 15.0
_WORKERS_S = 30.0
"""How long to wait for a first worker."""
_PATIENCE_S = 300.0
"""How long to wait for a scheduler that was lost to come back."""
_PAUSE_S = 2.0
_PER_THREAD = 3
"""Tasks under way for each thread of the cluster, so that none waits for the next."""
_LEAST_ROOM = 8
_COUNT_EVERY_S = 10.0
_TRIES = 2


class Cluster:
    """Reads on the cluster whose scheduler has this address.

    Raises
    ------
    ClusterError
        If ``distributed`` is not installed here, or the cluster cannot be reached or has no
        workers.
    ClusterOther
        If a worker has no polypvision or another one.
    """

    def __init__(self, address: str, brief: Brief) -> None:
        self._address = address
        self._brief = pickle.dumps(brief)
        self._run = uuid.uuid4().hex[:12]
        self._round = 0
        """How often the cluster was (re)joined; answers of an older round are not waited for."""
        self._tasks: dict[int, PhotoTask] = {}
        self._tries: dict[int, int] = {}
        self._futures: dict[int, Future[Any]] = {}
        self._done: SimpleQueue[tuple[int, int]] = SimpleQueue()
        self._client: Client | None = None
        self._room, self._counted_at = _LEAST_ROOM, -_COUNT_EVERY_S
        try:
            self._join()
        except BaseException:
            self.close()
            raise

    def room(self) -> int:
        """Return how many tasks may be under way: it follows the size of the cluster."""
        if time.monotonic() - self._counted_at > _COUNT_EVERY_S and self._client is not None:
            self._counted_at = time.monotonic()
            try:
                threads = sum(dict(self._client.nthreads()).values())
            except Exception:
                return self._room  # Lost just now; `finished` sees to it.
            self._room = max(_LEAST_ROOM, _PER_THREAD * threads)
        return self._room

    def begin(self, number: int, task: PhotoTask) -> None:
        """Take a task."""
        self._tasks[number] = task
        self._tries[number] = 0
        self._submit(number)

    def finished(self) -> list[tuple[int, Finding]]:
        """Wait until at least one task is done.

        Raises
        ------
        ClusterError
            If the scheduler is lost for good.
        ClusterOther
            If a worker that joined meanwhile has another polypvision.
        """
        done: list[tuple[int, Finding]] = []
        while not done or not self._done.empty():
            of_round, number = self._done.get()
            if of_round == self._round and number in self._futures:
                done += self._answer(number)
        return done

    def close(self) -> None:
        """Leave the cluster; what it still reads for this run is cancelled."""
        client, self._client = self._client, None
        if client is None:
            return
        try:
            client.cancel(list(self._futures.values()), force=True)
            client.unregister_worker_plugin(f"polypvision-{self._run}")
        except Exception:
            pass  # The cluster is gone already.
        client.close(timeout=_PAUSE_S)

    def _join(self) -> None:
        """Connect, check the workers, tell them what they need to know."""
        self._client = _connected(self._address)
        _check(self._client, self._address)
        from polypvision.batch.cluster_worker import Readying

        self._client.register_plugin(Readying(self._run, self._brief))
        self._round += 1

    def _submit(self, number: int) -> None:
        from polypvision.batch.cluster_worker import read_here

        client, of_round = self._client, self._round
        assert client is not None
        future = client.submit(
            read_here,
            self._run,
            fingerprint(),
            self._tasks[number],
            key=f"polypvision-{self._run}-{of_round}-{number}-{uuid.uuid4().hex[:6]}",
            pure=False,
        )
        self._futures[number] = future
        future.add_done_callback(lambda _: self._done.put((of_round, number)))

    def _answer(self, number: int) -> list[tuple[int, Finding]]:
        future = self._futures.pop(number)
        if future.status in ("cancelled", "lost"):
            self._futures[number] = future
            self._rejoin()
            return []
        error = _error_of(future)
        if error is None:
            answer = future.result()
            if isinstance(answer, Fingerprint):
                raise _other(self._address, {str(answer)})
            if answer is None:
                # The library found the scheduler again by itself, but it is another one.
                self._rejoin()
                return []
            self._forget(number)
            return [(number, answer)]
        if _names(error) & {"CommClosedError", "TimeoutError", "OSError"}:
            # The answer was lost on its way, with the worker that held it.
            self._rejoin_or_submit(number)
            return []
        return self._failed(number, error)

    def _failed(self, number: int, error: BaseException) -> list[tuple[int, Finding]]:
        if "KilledWorker" in _names(error):
            self._tries[number] += 1
            if self._tries[number] < _TRIES:
                # Blamed for a worker's death, perhaps only for having waited beside the cause.
                self._submit(number)
                return []
            return [(number, died(self._forget(number), "workers of the cluster died with it"))]
        raise ClusterError(
            f"A worker of the cluster {self._address} cannot read photos "
            f"({type(error).__name__}: {error}). Look at its log; install there the same "
            f"polypvision {fingerprint().version} as here. What was recorded is kept."
        ) from error

    def _forget(self, number: int) -> PhotoTask:
        del self._tries[number]
        return self._tasks.pop(number)

    def _rejoin_or_submit(self, number: int) -> None:
        client = self._client
        if client is not None and client.status == "running":
            self._submit(number)
        else:
            self._rejoin()

    def _rejoin(self) -> None:
        """The scheduler was lost: wait for it, and ask anew for all that it did not answer."""
        until = time.monotonic() + _PATIENCE_S
        while True:
            self._leave()
            try:
                self._join()
                break
            except ClusterOther:
                raise
            except ClusterError as error:
                if time.monotonic() > until:
                    raise ClusterError(
                        f"The cluster {self._address} was lost and has not come back. What was "
                        "recorded is kept; run the same command again when it is there."
                    ) from error
                time.sleep(_PAUSE_S)
        self._futures.clear()
        for number in sorted(self._tasks):
            self._submit(number)

    def _leave(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close(timeout=_PAUSE_S)


def _connected(address: str) -> "Client":
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError(
            "Reading on a cluster needs a library that is not installed here. Install it with: "
            "pip install 'polypvision[cluster]'"
        ) from error
    try:
        return Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise ClusterError(
            f"The cluster {address} cannot be reached ({error}). Check the address, as "
            "tcp://host:8786, and that its scheduler runs."
        ) from error


def _check(client: "Client", address: str) -> None:
    """Refuse a cluster whose workers would read otherwise than this computer."""
    try:
        client.wait_for_workers(1, timeout=_WORKERS_S)
        found = client.run(fingerprint, on_error="return")
    except Exception as error:
        raise ClusterError(
            f"The cluster {address} has no worker that answers ({type(error).__name__}: {error}). "
            f"Start some with: dask worker {address}"
        ) from error
    others = {
        str(one) if isinstance(one, Fingerprint) else f"none that works ({one})"
        for one in found.values()
        if one != fingerprint()
    }
    if others:
        raise _other(address, others)


def _other(address: str, others: set[str]) -> ClusterOther:
    return ClusterOther(
        f"Here is polypvision {fingerprint()}, but workers of the cluster {address} have "
        f"{' and '.join(sorted(others))}, which might read otherwise. Install the same on all: "
        f"pip install 'polypvision[cluster]=={fingerprint().version}'"
    )


def _error_of(future: "Future[Any]") -> BaseException | None:
    error = future.exception()
    return error if isinstance(error, BaseException) else None


def _names(error: BaseException) -> set[str]:
    return {kind.__name__ for kind in type(error).__mro__}
