"""What tests of several rooms need: logbooks on both databases, and the command."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from postgresql_server import Server, running_server
from run_command import Run, runner

from polypvision.store.logbook import open_logbook

NewPlace = Callable[[], str]


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


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command, away from the person's own logbook."""
    monkeypatch.setenv("POLYPVISION_LOGBOOK", str(tmp_path / "own.sqlite"))
    return runner(monkeypatch, capsys)
