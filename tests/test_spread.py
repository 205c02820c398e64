"""Work spread over processes is the same work."""

import os

import cv2
import pytest

from polypvision.spread import spread


def _where(number: int) -> tuple[int, int, str | None, int]:
    """Its number, process, and threads of the libraries there."""
    return number, os.getpid(), os.environ.get("OMP_NUM_THREADS"), cv2.getNumThreads()


def _broken(number: int) -> int:
    if number == 2:
        raise ValueError("the third one")
    return number


def test_processes_answer_in_order_with_one_thread_each(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    seen: list[int] = []
    found = spread(_where, range(7), jobs=2, show=seen.append)
    assert [one[0] for one in found] == list(range(7))
    assert seen == list(range(1, 8))
    assert os.getpid() not in {one[1] for one in found}
    assert {one[2:] for one in found} == {("1", 1)}
    assert "OMP_NUM_THREADS" not in os.environ


@pytest.mark.parametrize("jobs", [1, 2])
def test_errors_come_out_as_they_are(jobs: int) -> None:
    with pytest.raises(ValueError, match="the third one"):
        spread(_broken, range(5), jobs=jobs)
    assert spread(_broken, [], jobs=jobs) == []
