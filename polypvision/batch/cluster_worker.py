"""What runs on the workers of a cluster."""

import pickle

from distributed import WorkerPlugin
from distributed.worker import Worker

from polypvision.batch.fingerprint import Fingerprint, fingerprint
from polypvision.plates.reader import Finding, PhotoReader, PhotoTask

_READERS: dict[str, PhotoReader] = {}
"""By run: a worker may serve several."""


class Readying(WorkerPlugin):  # type: ignore[misc] # mypy does not look into the library
    """Tells every worker, also one that starts later, what all photos of a run share."""

    def __init__(self, run: str, brief: bytes) -> None:
        self.name = f"polypvision-{run}"
        self._run = run
        self._brief = brief

    def setup(self, worker: Worker) -> None:
        """Make a reader; the worker's own threads share the processors, so each takes one."""
        import cv2

        cv2.setNumThreads(1)
        _READERS[self._run] = PhotoReader(pickle.loads(self._brief))

    def teardown(self, worker: Worker) -> None:
        """Forget the run."""
        _READERS.pop(self._run, None)


def read_here(run: str, wanted: Fingerprint, task: PhotoTask) -> Finding | Fingerprint | None:
    """Read a photo on this worker.

    Returns
    -------
    Finding, Fingerprint or None
        With what this worker would read, if that is something else; None if it was not told of the
        run, for its scheduler has forgotten it.
    """
    own = fingerprint()
    if own != wanted:
        return own
    reader = _READERS.get(run)
    return None if reader is None else reader.read(task)
