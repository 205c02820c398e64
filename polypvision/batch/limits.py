"""How many processes this computer has room for."""

import os
from pathlib import Path

PROCESS_BYTES = 900_000_000
"""Memory that one reading process may take: the 700 MB allowed at 12 megapixels, and some room."""
START_PHOTOS = 6
"""For fewer new photos each, processes take longer to start than they save (own estimate: a start
costs about one second of processor time, a photo a half)."""


def processors() -> int:
    """Return on how many processors this process may run."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # Not on every system.
        return os.cpu_count() or 1


def free_bytes() -> int | None:
    """Return how much memory programs may still take; None if this system does not say."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        [said] = [line for line in lines if line.startswith("MemAvailable:")]
        return int(said.split()[1]) * 1024
    except (OSError, ValueError):
        pass
    try:
        return int(os.sysconf("SC_PAGE_SIZE")) * int(os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, ValueError, OSError):
        return None


def most_jobs() -> int:
    """Return how many processes this computer has processors and memory for, 1 at least."""
    memory = free_bytes()
    room = processors() if memory is None else memory // PROCESS_BYTES
    return max(1, min(processors(), room))


def usual_jobs(n_photos: int) -> int:
    """Return how many processes read so many photos soonest; 1 means none but this one."""
    return max(1, min(most_jobs(), n_photos // START_PHOTOS))
