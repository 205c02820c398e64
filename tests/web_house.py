"""A small logbook and its pages, as the desk, a paired phone and a stranger see them."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from logbook_makers import fill
from starlette.testclient import TestClient
from starlette.types import ASGIApp

from polypvision.store.logbook import Logbook, open_logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door
from polypvision.web.pairing import Devices

PORT = 8742
LAN = "192.0.2.7"
DESK = f"http://127.0.0.1:{PORT}"
PHONE = f"http://{LAN}:{PORT}"


@dataclass(frozen=True, kw_only=True)
class House:
    """The application, its devices and logbook, and a way to speak to it from an address."""

    app: ASGIApp
    devices: Devices
    book: Logbook
    folder: Path
    client: Callable[..., TestClient]

    def desk(self) -> TestClient:
        return self.client(DESK, "127.0.0.1")

    def stranger(self, address: str = "192.0.2.99") -> TestClient:
        return self.client(PHONE, address)

    def phone(self) -> TestClient:
        """A phone, paired as a person does it."""
        phone = self.stranger()
        code = self.devices.new_code()
        answer = phone.post("/pair", data={"code": code}, headers={"origin": PHONE})
        assert answer.status_code == 303
        return phone


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    photos = tmp_path / "photos"
    photos.mkdir()
    with open_logbook(tmp_path / "logbook.sqlite", create=True) as book:
        fill(book, photos)
        app, devices = make_app(book, tmp_path / "desk", Door(port=PORT, names=(LAN,)))

        def client(base: str, address: str) -> TestClient:
            return TestClient(
                app,
                base_url=base,
                client=(address, 50000),
                follow_redirects=False,
                raise_server_exceptions=False,
            )

        yield House(app=app, devices=devices, book=book, folder=tmp_path, client=client)
        app._app.state.office.queue.close()  # type: ignore[attr-defined]
