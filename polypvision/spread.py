"""Long work spread over processes of this machine, with the same results in the same order."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

import cv2

from polypvision.threads import threads_each

Item = TypeVar("Item")
Result = TypeVar("Result")
Show = Callable[[int], None]


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
    for result in spread_each(work, items, jobs=jobs):
        results.append(result)
        if show:
            show(len(results))
    return results


def spread_each(
    work: Callable[[Item], Result], items: Sequence[Item], *, jobs: int = 1
) -> Iterator[Result]:
    """Yield what ``work`` makes of each item, in the order of the items, as soon as it is there.

    Parameters
    ----------
    work, items, jobs
        As of `spread`.
    """
    if jobs <= 1:
        yield from map(work, items)
        return
    # Started anew, not forked: a copy of a process whose libraries hold threads may hang.
    with (
        threads_each(1),
        ProcessPoolExecutor(
            min(jobs, max(len(items), 1)), get_context("spawn"), cv2.setNumThreads, (1,)
        ) as pool,
    ):
        yield from pool.map(work, items)
