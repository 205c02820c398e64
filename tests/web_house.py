"""A small logbook and its pages, as the desk, a paired phone and a stranger see them."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from logbook_makers import fill
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

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


@contextmanager
def open_house(folder: Path, bare: bool = False) -> Iterator[House]:
    """A house in a folder; a bare one has no guard at its door, to see what that keeps out."""
    photos = folder / "photos"
    photos.mkdir()
    with open_logbook(folder / "logbook.sqlite", create=True) as book:
        fill(book, photos)
        guarded, devices = make_app(book, folder / "desk", Door(port=PORT, names=(LAN,)))
        office = guarded._app.state.office  # type: ignore[attr-defined]
        app = _unguarded(guarded._app) if bare else guarded  # type: ignore[attr-defined]

        def client(base: str, address: str) -> TestClient:
            return TestClient(
                app,
                base_url=base,
                client=(address, 50000),
                follow_redirects=False,
                raise_server_exceptions=False,
            )

        yield House(app=app, devices=devices, book=book, folder=folder, client=client)
        office.queue.close()


def _unguarded(app: ASGIApp) -> ASGIApp:
    async def reached(scope: Scope, receive: Receive, send: Send) -> None:
        state = scope.setdefault("state", {})
        state |= {"who": "desk", "said_by": "desk", "address": scope["client"][0]}
        await app(scope, receive, send)

    return reached


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path) as made:
        yield made
