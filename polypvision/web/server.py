"""The pages served: a socket, the way in shown on the terminal, and a tidy end."""

import socket
from collections.abc import Callable
from io import StringIO
from ipaddress import ip_address
from pathlib import Path

import segno
import uvicorn
from starlette.types import ASGIApp

from polypvision.errors import LogbookError, OutputError
from polypvision.store.logbook import Logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door

PORT = 8742
MAX_CONNECTIONS = 500
"""Of all devices together; a browser holds six. Those beyond are asked to come again (503)."""
_NOWHERE = "192.0.2.1"
"""An address that is nobody's (RFC 5737); asking the way there sends nothing."""


def own_address() -> str | None:
    """Return this computer's address on the local network, or None if it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((_NOWHERE, 9))
        except OSError:
            return None
        found = str(probe.getsockname()[0])
    return None if ip_address(found).is_loopback else found


def desk_folder(logbook: Logbook, folder: Path | None) -> Path:
    """Return where photos that are sent in are kept: beside the logbook, unless said otherwise.

    Raises
    ------
    LogbookError
        If the logbook is on a database server and nothing was said.
    """
    if folder is not None:
        return folder
    if "://" in logbook.place:
        raise LogbookError(
            "This logbook lies on a database server, so say where photos are to be kept: "
            "--photos FOLDER."
        )
    place = Path(logbook.place)
    return place.with_name(f"{place.stem}-desk")


def _bound(host: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise OutputError(
            f"Port {port} cannot be used ({error.strerror}). Is polypvision serve running "
            "already? Else choose another with --port."
        ) from error
    return listening


def qr_text(link: str) -> str:
    """Return a link as a square code for a terminal."""
    drawn = StringIO()
    segno.make(link, error="m").terminal(drawn, compact=True)
    return drawn.getvalue()


def serve(
    logbook: Logbook,
    folder: Path,
    *,
    port: int,
    address: str | None,
    say: Callable[[str], None],
) -> None:
    """Serve the pages until stopped.

    Parameters
    ----------
    logbook : Logbook
    folder : Path
        See `desk_folder`.
    port : int
        0 takes any that is free.
    address : str or None
        This computer's on the local network, to open the pages to it; None keeps them here.
    say : callable
        Shows a line to the person at the terminal.

    Raises
    ------
    OutputError
        If the port or the folder cannot be used.
    """
    listening = _bound("0.0.0.0" if address else "127.0.0.1", port)
    with listening:
        port = listening.getsockname()[1]
        door = Door(port=port, names=(address,) if address else ())
        app, devices = make_app(logbook, folder, door)
        say(f"Open http://127.0.0.1:{port}/ in a browser on this computer. Ctrl+C stops it.")
        if address:
            link = f"http://{address}:{port}/pair#{devices.new_code()}"
            say(
                "Scan this with a phone on the same network; it pairs one phone, within 15 minutes:"
            )
            say(qr_text(link))
            say(link)
            say(
                "What goes over the network is not encrypted: use a network of your own, with a "
                "password."
            )
        uvicorn.Server(server_config(app)).run(sockets=[listening])


def server_config(app: ASGIApp) -> uvicorn.Config:
    """Return how the pages are served: what reaches them, and what is told of the server."""
    return uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        # Who is at the desk is told by the connection itself, never by a header.
        proxy_headers=False,
        timeout_graceful_shutdown=5,
        limit_concurrency=MAX_CONNECTIONS,
    )
