"""The pages behind a real socket, for a real browser."""

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from web_house import House

from polypvision.store.logbook import open_logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door

CHROMIUM = shutil.which("chromium")
NAME = "tray.test"


@pytest.fixture
def served(house: House, tmp_path: Path) -> Iterator[tuple[int, Any]]:
    """The pages behind a real socket: port, and devices."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        with open_logbook(tmp_path / "logbook.sqlite") as book:
            app, devices = make_app(book, tmp_path / "served", Door(port=port, names=(NAME,)))
            server = uvicorn.Server(
                uvicorn.Config(app, log_level="error", proxy_headers=False, lifespan="on")
            )
            thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
            thread.start()
            deadline = time.monotonic() + 30
            while not server.started and time.monotonic() < deadline:
                time.sleep(0.05)
            yield port, devices
            server.should_exit = True
            thread.join(30)
