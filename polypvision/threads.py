"""How many threads the libraries of a process that is to be started will use."""

import os
from collections.abc import Iterator
from contextlib import contextmanager

_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)


@contextmanager
def threads_each(n: int) -> Iterator[None]:
    """Let processes that are started inside use n threads each.

    Libraries read these variables once, when a new process loads them.
    """
    before = {name: os.environ.get(name) for name in _VARIABLES}
    os.environ.update(dict.fromkeys(_VARIABLES, str(n)))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
