"""Which pages of plates a folder has already, and of which state of the plates."""

import contextlib
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from polypvision.files.outputs import write_bytes, write_text
from polypvision.files.quick_json import from_json, to_json
from polypvision.files.remote import place_of
from polypvision.reports import around_stock
from polypvision.reports.page import PlateLink
from polypvision.reports.sayings import Tile
from polypvision.store.readings import names_of_photos

_NAME = "pages.json"


@dataclass(frozen=True, kw_only=True)
class MadePage:
    """A plate's page and charts as they were written.

    Attributes
    ----------
    state : str
        Of what they show, the stock to come left out; see `state_of_page`.
    stock, rest : str
        Hashes of what the page says of the stock to come, and of all else on it.
    files : mapping of str to int
        Their names and sizes.
    link : PlateLink
    remark : str or None
        What could not be shown.
    """

    state: str
    stock: str = ""
    rest: str = ""
    files: Mapping[str, int] = field(default_factory=dict)
    link: PlateLink
    remark: str | None


class MadePages:
    """The pages that a folder has; what is not so any more is left out.

    Parameters
    ----------
    folder : Path
        With a list of what was written there before, if it was.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: dict[str, MadePage] = {}
        # A list that is none, or of another program: all is drawn anew, and nothing is lost.
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
            found = from_json((folder / _NAME).read_text(encoding="utf-8"))
            self._made = {plate: _page(one) for plate, one in found.items()}
        self._sizes = {one.name: one.stat().st_size for one in folder.iterdir() if one.is_file()}

    def still(self, plate: str, state: str, stock: str) -> MadePage | None:
        """Return what was written of a plate, if it shows this state and is all there.

        Where the page says something else of the stock to come, that is replaced first.

        Parameters
        ----------
        plate, state : str
        stock : str
            What the page is to say of the stock to come, of `reports.stock_section`.

        Raises
        ------
        OutputError
        """
        one = self._made.get(plate)
        if one is None or one.state != state or one.link.href not in one.files:
            return None
        unlike = {name for name, size in one.files.items() if self._sizes.get(name) != size}
        if one.stock == _hash(stock) and not unlike:
            return one
        # Also what was stopped after the page and before the list comes here, and is not drawn.
        return None if unlike - {one.link.href} else self._with_stock(plate, one, stock)

    def _with_stock(self, plate: str, one: MadePage, stock: str) -> MadePage | None:
        """Put the stock to come into a page; None if all else on it is not as it was written."""
        path = self._folder / Path(one.link.href).name  # A list may hold anything.
        try:
            old = path.read_bytes().decode()
        except (OSError, UnicodeDecodeError):
            return None
        around = around_stock(old)
        if around is None or not stock or _hash(*around) != one.rest:
            return None  # Changed by hand, or of another program; or there was no stock to tell of.
        data = stock.join(around).encode()
        write_bytes(path, data)
        files = {**one.files, path.name: len(data)}
        self._made[plate] = replace(one, stock=_hash(stock), files=files)
        return self._made[plate]

    def add(self, plate: str, page: MadePage, names: Sequence[str]) -> None:
        """Note what was written of a plate just now, in which files; what it lacks now goes."""
        old = self._made.get(plate)
        stem = f"{Path(page.link.href).stem}-"
        for name in set(old.files if old else ()) - set(names):
            if name == Path(name).name and name.startswith(stem):
                (self._folder / name).unlink(missing_ok=True)
        sizes = {name: (self._folder / name).stat().st_size for name in names}
        self._made[plate] = replace(page, files=sizes)

    def write(self) -> None:
        """Write the list.

        Raises
        ------
        OutputError
        """
        made = {plate: asdict(one) for plate, one in sorted(self._made.items())}
        write_text(self._folder / _NAME, to_json(made))


def _hash(*parts: str) -> str:
    told = hashlib.sha256()
    for part in parts:
        data = part.encode("utf-8", "backslashreplace")  # As it is written.
        told.update(f"{len(data)} ".encode() + data)
    return told.hexdigest()


def page_hashes(html: str) -> tuple[str, str]:
    """Return hashes of what a plate's page says of the stock to come, and of all else on it."""
    around = around_stock(html)
    if around is None:
        return _hash(""), _hash(html)
    return _hash(html[len(around[0]) : len(html) - len(around[1])]), _hash(*around)


def _page(record: Mapping[str, Any]) -> MadePage:
    link = record["link"]
    tiles = tuple(Tile(**one) for one in link["tiles"])
    return MadePage(**{**record, "link": PlateLink(**{**link, "tiles": tiles})})


def state_of_page(connection: sa.Connection, plate: str, mark: str) -> str:
    """Return what tells apart all that the page of a plate may show but for the stock to come.

    Parameters
    ----------
    connection : Connection
    plate : str
    mark : str
        Of the plate, and of the program; see `kept.state_mark`.
    """
    told = [mark, [[name, *_file(name)] for name in names_of_photos(connection, plate)]]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _file(name: str) -> list[int]:
    """Size and time of a photo; nothing of one that is not there, or in a store far away."""
    place = place_of(name)
    if isinstance(place, Path):
        with contextlib.suppress(OSError):
            found = place.stat()
            return [found.st_size, found.st_mtime_ns]
    return []
