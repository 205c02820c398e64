"""Long work spread over processes of this machine, with the same results in the same order."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import TypeVar

import cv2

Item = TypeVar("Item")
Result = TypeVar("Result")
Show = Callable[[int], None]

_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS"), "1"
)


def spread(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    jobs: int = 1,
    show: Show | None = None,
) -> list[Result]:
    """Return what ``work`` makes of each item, in the order of the items.

    Parameters
    ----------
    work : callable
        Of a module's top level (or `functools.partial` of one), so that a process can load it.
    items : sequence
    jobs : int
        Processes; with one, all is done in this process.
    show : callable, optional
        Called with the number of items done.
    """
    results = []
    for result in _each(work, items, jobs):
        results.append(result)
        if show:
            show(len(results))
    return results


def _each(work: Callable[[Item], Result], items: Sequence[Item], jobs: int) -> Iterator[Result]:
    if jobs <= 1:
        yield from map(work, items)
        return
    # Started anew, not forked: a copy of a process whose libraries hold threads may hang.
    with (
        _environment(_ONE_THREAD),
        ProcessPoolExecutor(
            min(jobs, max(len(items), 1)), get_context("spawn"), cv2.setNumThreads, (1,)
        ) as pool,
    ):
        yield from pool.map(work, items)


@contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    """Set variables that libraries read once, when a new process loads them."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
