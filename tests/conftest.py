"""What tests of several rooms need; nothing of the person who runs them is touched."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from postgresql_server import Server, running_server
from run_command import Run, runner

from polypvision.store.logbook import open_logbook

NewPlace = Callable[[], str]


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Hashes of files are remembered away from the person's own."""
    before = os.environ.get("POLYPVISION_CACHE")
    os.environ["POLYPVISION_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["POLYPVISION_CACHE"]
    else:
        os.environ["POLYPVISION_CACHE"] = before


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command, away from the person's own logbook."""
    monkeypatch.setenv("POLYPVISION_LOGBOOK", str(tmp_path / "own.sqlite"))
    return runner(monkeypatch, capsys)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """One PostgreSQL server for the whole run."""
    with running_server() as running:
        yield running


@pytest.fixture(scope="session")
def filled_template(server: Server) -> str:
    """A database that has the tables already, to copy from."""
    name = server.new_database()
    with open_logbook(server.address(name), create=True):
        pass
    return name


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest, tmp_path: Path) -> NewPlace:
    """Return the place of a logbook, another one each time: a file, then a server's database."""
    made = iter(range(1000))
    if request.param == "sqlite":
        return lambda: str(tmp_path / f"book {next(made)}.sqlite")
    server: Server = request.getfixturevalue("server")
    template: str = request.getfixturevalue("filled_template")
    return lambda: server.address(server.new_database(template))


@pytest.fixture(scope="session")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of six small plates."""
    from many_photos import write_plates

    folder = tmp_path_factory.mktemp("plates")
    write_plates(folder, 6)
    return folder


@pytest.fixture(scope="session")
def undisturbed(plates: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The tables of the plates, read one after the other in this process."""
    from many_photos import recorded, tables

    home = tmp_path_factory.mktemp("undisturbed")
    recorded(plates, home / "book.sqlite", jobs=1)
    return tables(home / "book.sqlite", home / "out")
