"""Which program this is: another one may see another thing in the same photos."""

import hashlib
from functools import cache
from pathlib import Path

from polypvision import __version__

_TELLING = {".py", ".html", ".css"}
"""Endings of the files that results and pages come of. What the networks saw is in the logbook."""
_OWN = Path(__file__).parent.parent


@cache
def program_mark(folder: Path = _OWN) -> str:
    """Return the program's version, and a short hash of its code (10 ms, once).

    The version alone stands still from one release to the next.
    """
    code = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.suffix in _TELLING:
            data = path.read_bytes()
            code.update(f"{path.relative_to(folder).as_posix()} {len(data)}\n".encode() + data)
    return f"{__version__}-{code.hexdigest()[:12]}"
