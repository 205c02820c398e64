"""Memory that was used once is used again, counted by the system's own page faults."""

import subprocess
import sys

import pytest

from polypvision.memory import keep_freed_memory

AGAIN = """
import resource, sys
import numpy as np
from polypvision.memory import keep_freed_memory

def use():
    kept = [np.ones(20_000_000, np.uint8) for _ in range(4)]

def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

if sys.argv[1] == "kept" and not keep_freed_memory():
    sys.exit(3)
use()
use()
before = faults()
use()
print(faults() - before)
"""


def faults(how: str) -> int:
    command = [sys.executable, "-c", AGAIN, how]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode == 3:
        pytest.skip("this system's C library has no mallopt")
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="of glibc")
def test_what_was_freed_is_used_again_without_asking_the_system() -> None:
    kept, usual = faults("kept"), faults("usual")
    # 80 MB in pages of 4 KB; a library that keeps as much by itself needs no help.
    assert kept < 200
    assert kept <= usual


def test_asking_twice_is_as_good_as_once() -> None:
    assert keep_freed_memory() == keep_freed_memory()


PASSED_OVER = """
import gc
from polypvision.memory import pass_over_loaded

loaded = [[] for _ in range(1000)]
pass_over_loaded()
print(any(one is loaded for one in gc.get_objects()), gc.get_freeze_count() > 1000)

class Turn:
    pass

gone = []
turn = Turn()
turn.own, turn.end = turn, __import__("weakref").finalize(turn, gone.append, True)
del turn
gc.collect()
print(gone)
"""


def test_what_is_loaded_is_searched_no_more_and_what_comes_later_is() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PASSED_OVER], capture_output=True, text=True, check=True
    )
    assert done.stdout.split("\n")[:2] == ["False True", "[True]"]
