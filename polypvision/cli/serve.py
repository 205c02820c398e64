"""``polypvision serve``: the pages for phone and desk."""

from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import LogbookOption, opened

_PORT = 8742


def serve(
    lan: Annotated[
        bool, typer.Option("--lan", help="Open it to phones on the local network that are paired.")
    ] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = _PORT,
    address: Annotated[
        str | None,
        typer.Option(
            metavar="IP",
            show_default="found out",
            help="This computer's address on the local network.",
        ),
    ] = None,
    photos: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            show_default="beside the logbook",
            help="Where photos that are sent in are kept.",
        ),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Serve pages for phone and desk: take photos, look at plates, write things down.

    Only this computer can open them, unless --lan is given; then a phone is paired once with the
    square code shown here. What goes over the network is not encrypted: use a network of your own.
    """
    from polypvision.web.server import desk_folder, own_address
    from polypvision.web.server import serve as serve_pages

    if address is not None:
        _check_address(address)
    found = (address or own_address()) if lan else None
    if lan and found is None:
        raise typer.BadParameter(
            "This computer's address on the local network was not found; is it on one? Give it "
            "with --address.",
            param_hint="--lan",
        )
    with opened(logbook, create=True) as book:
        serve_pages(book, desk_folder(book, photos), port=port, address=found, say=typer.echo)


def _check_address(text: str) -> None:
    from ipaddress import IPv4Address

    try:
        IPv4Address(text)
    except ValueError as error:
        raise typer.BadParameter(
            f"{text!r} is no IPv4 address such as 192.168.1.20.", param_hint="--address"
        ) from error
