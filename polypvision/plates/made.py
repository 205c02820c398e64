"""Which pages of plates a folder has already, and of which state of the plates."""

import contextlib
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from polypvision.files.outputs import write_text
from polypvision.files.quick_json import from_json, to_json
from polypvision.files.remote import place_of
from polypvision.plan import StockForecast
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
        Of what they show; see `state_of_page`.
    files : mapping of str to int
        Their names and sizes.
    link : PlateLink
    remark : str or None
        What could not be shown.
    """

    state: str
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

    def still(self, plate: str, state: str) -> MadePage | None:
        """Return what was written of a plate, if it shows this state and is all there."""
        one = self._made.get(plate)
        if one is None or one.state != state or not one.files:
            return None
        there = all(self._sizes.get(name) == size for name, size in one.files.items())
        return one if there else None

    def add(self, plate: str, page: MadePage, names: Sequence[str]) -> None:
        """Note what was written of a plate just now, in which files."""
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


def _page(record: Mapping[str, Any]) -> MadePage:
    link = record["link"]
    tiles = tuple(Tile(**one) for one in link["tiles"])
    return MadePage(**{**record, "link": PlateLink(**{**link, "tiles": tiles})})


def state_of_page(
    connection: sa.Connection, plate: str, mark: str, stock: StockForecast | None
) -> str:
    """Return what tells apart all that the page of a plate may show.

    Parameters
    ----------
    connection : Connection
    plate : str
    mark : str
        Of the plate, and of the program; see `kept.state_mark`.
    stock : StockForecast or None
        Of the plate; it changes with the whole room.
    """
    weeks = stock and [[one.on.isoformat(), one.expected, one.low, one.high] for one in stock.weeks]
    told = [
        mark,
        stock and [stock.size_mm, stock.n_pieces, stock.n_ready, weeks],
        [[name, *_file(name)] for name in names_of_photos(connection, plate)],
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _file(name: str) -> list[int]:
    """Size and time of a photo; nothing of one that is not there, or in a store far away."""
    place = place_of(name)
    if isinstance(place, Path):
        with contextlib.suppress(OSError):
            found = place.stat()
            return [found.st_size, found.st_mtime_ns]
    return []
