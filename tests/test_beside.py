"""Work beside other work gives what it would give alone."""

from collections.abc import Iterator
from threading import Event, current_thread, main_thread

import cv2
import pytest

from polypvision.beside import beside, in_strips


@pytest.fixture(params=[1, 2])
def n_threads(request: pytest.FixtureRequest) -> Iterator[int]:
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_work_is_done_once_and_its_error_comes_with_its_result(n_threads: int) -> None:
    done = []
    begun = Event()

    def work() -> bool:
        done.append(1)
        begun.set()
        return current_thread() is main_thread()

    result = beside(work)
    if n_threads > 1:
        assert begun.wait(60)
    assert result() == (n_threads == 1)
    assert len(done) == 1

    failing = beside(lambda: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        failing()


def test_nobody_waits_for_what_another_has_begun() -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    begun, end = Event(), Event()

    def long() -> bool:
        begun.set()
        return end.wait(60)

    try:
        long_one = beside(long)
        assert begun.wait(60)
        assert beside(current_thread)() is main_thread()
        end.set()
        assert long_one()
    finally:
        end.set()
        cv2.setNumThreads(before)


@pytest.mark.parametrize("height", [0, 1, 64, 65, 300])
def test_every_row_is_in_one_strip(n_threads: int, height: int) -> None:
    rows: list[int] = []
    in_strips(height, 64, lambda some: rows.extend(range(height)[some]))
    assert sorted(rows) == list(range(height))
