"""Small plates, and their tables as one undisturbed process gives them."""

from pathlib import Path

import pytest
from many_photos import recorded, statuses, tables, write_plates


@pytest.fixture(scope="session")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plates")
    write_plates(folder, 6)
    return folder


@pytest.fixture(scope="session")
def undisturbed(plates: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The tables of the plates, read one after the other in this process."""
    home = tmp_path_factory.mktemp("undisturbed")
    assert statuses(recorded(plates, home / "book.sqlite", jobs=1)) == ["recorded"] * 6
    return tables(home / "book.sqlite", home / "out")
