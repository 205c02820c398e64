"""What every test needs: nothing of the person who runs them is touched."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    before = os.environ.get("POLYPVISION_CACHE")
    folder = tmp_path_factory.mktemp("cache")
    os.environ["POLYPVISION_CACHE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["POLYPVISION_CACHE"]
    else:
        os.environ["POLYPVISION_CACHE"] = before
