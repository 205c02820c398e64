"""Being refused by the file system, also when the tests run as the all-powerful root user."""

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

_NOBODY = 65534

needs_permissions = pytest.mark.skipif(
    sys.platform == "win32", reason="file permissions as Unix has them are needed"
)


@contextmanager
def ordinary_user() -> Iterator[Path]:
    """A folder of one's own, and no right to anything else while the block lasts."""
    folder = Path(tempfile.mkdtemp(prefix="polypvision-test-"))
    root = os.geteuid() == 0
    if root:
        os.chown(folder, _NOBODY, _NOBODY)
        os.seteuid(_NOBODY)
    try:
        yield folder
    finally:
        if root:
            os.seteuid(0)
        for path in [folder, *folder.rglob("*")]:
            if path.is_dir():
                path.chmod(0o700)
        shutil.rmtree(folder)
