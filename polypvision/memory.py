"""Memory that one photo leaves is kept for the next, and what stays loaded is not searched."""

import ctypes
import gc
import sys
from functools import cache

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""M_TRIM_THRESHOLD and M_MMAP_THRESHOLD of glibc (manual page mallopt(3), from memory)."""
_KEPT_BYTES = 256 << 20
_LARGEST_BYTES = 32 << 20
"""The most that glibc takes for its own on 64 bits (same page); larger ones come and go."""


@cache
def keep_freed_memory() -> bool:
    """Have this process keep some of what it freed; return whether its library can.

    The system hands out memory page by page, each cleared first: for a photo of 12 megapixels that
    took a tenth of the time of decoding it and all that goes before the network.
    """
    if sys.platform != "linux":
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False  # Another C library.
    # Both: setting one stops the library from finding the other by itself.
    return bool(mallopt(_MMAP_THRESHOLD, _LARGEST_BYTES) and mallopt(_TRIM_THRESHOLD, _KEPT_BYTES))


_YOUNG_OBJECTS = 20_000
"""New objects after which Python looks for cycles among them: as many as a reading or two make."""


@cache
def pass_over_loaded() -> None:
    """Have Python no longer search all that is loaded by now for cycles that nobody uses.

    Modules stay until the end. Searching them now and then, and new objects at every 700, was a
    thirtieth of the time of reading photos. (Python's manual, `gc.freeze`.)
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG_OBJECTS)
