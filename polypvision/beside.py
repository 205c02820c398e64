"""Work done beside other work on the same photo, where the process has a second thread for it."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import TypeVar

import cv2

Result = TypeVar("Result")


@cache
def _hand() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(1, "beside")


def beside(work: Callable[[], Result]) -> Callable[[], Result]:
    """Start work on another thread, and return what waits for it and returns its result, once.

    Worth while for what spends its time in libraries that let other threads run: OpenCV, hashlib,
    numpy on large arrays. A process that has one thread (`cv2.getNumThreads`) does the work when
    its result is asked for, and so is work done that the other thread has not begun by then: it may
    be decoding a large photo for somebody else.

    Examples
    --------
    >>> total = beside(lambda: sum(range(10)))
    >>> total()
    45
    """
    if cv2.getNumThreads() < 2:
        return work
    begun = _hand().submit(work)
    return lambda: work() if begun.cancel() else begun.result()


def in_strips(height: int, strip: int, work: Callable[[slice], object]) -> None:
    """Do work on all rows of a picture, strip by strip, so that a processor's cache holds each.

    Parameters
    ----------
    height, strip : int
        Rows of the picture, and of a strip; the last one may have fewer.
    work : callable
        Told the rows of one strip. Strips are done in any order, two of them at a time.
    """
    strips = [slice(top, min(top + strip, height)) for top in range(0, height, strip)]

    def do(some: list[slice]) -> None:
        for rows in some:
            work(rows)

    other_half = beside(lambda: do(strips[1::2]))
    do(strips[::2])
    other_half()
