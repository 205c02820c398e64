"""Pieces that stand elsewhere: pushed, moved, or the whole plate rearranged.

Place alone would silently take one piece for the other that stands there now. So wherever somebody
looks unlike the one that stood at its place, or is missing while somebody else is too many, looks
are weighed against places for the whole plate at once. What they do not decide is left open for a
person.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from polypvision.track.assign import assign
from polypvision.track.looks import sharp_unlikeness
from polypvision.track.seen import Seen, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

NEWBORN_SHARE = 0.55
"""A newborn is at most this part of the plate's median diameter (common practice, no source)."""
_REARRANGED_LEAST = 3
_REARRANGED_SHARE = 0.25
"""So many elsewhere at once, and no smaller part of the plate, are no chance."""
_ELSEWHERE, _NEARBY = 5.5, 4.0
"""What it costs to stand elsewhere, any of sixteen places alike, and a push away; twice the
logarithm of the odds against it, as are all costs here."""
_DISTURBED, _ASKED = 10.0, 5.0
"""What it costs that a hand changed places at all: from which gain on it is believed, and from
which a person is asked."""
_GONE_AND_NEW = 20.0
"""What it costs that one is gone and another one new."""
_PLACE_CAP = 40.0
"""However unlike, at its own place one polyp is no less likely than this."""
_AT_PLACE_MM = 5.0
"""Who stands so near to where another one stood has taken its place."""
_SURE = 6.0
"""Twice the logarithm of odds of 20 to 1: the next best explanation of the plate is this much
worse."""


@dataclass(frozen=True, kw_only=True)
class Moves:
    """What looking for pieces elsewhere showed.

    Attributes
    ----------
    links : dict of int to int
        Who is where, the moved ones included; whoever is left open is not in it.
    moved : tuple of int
        Rows found at another place by their look.
    open_rows, open_columns : tuple of int
        Individuals and polyps of which it cannot be told who is who: they changed places.
    asked_rows, asked_columns : tuple of int
        Who may stand elsewhere, and where; not so likely that anything is made of it.
    rearranged : bool
        So many that pieces of the plate must have changed places.
    """

    links: dict[int, int] = field(default_factory=dict)
    moved: tuple[int, ...] = ()
    open_rows: tuple[int, ...] = ()
    open_columns: tuple[int, ...] = ()
    asked_rows: tuple[int, ...] = ()
    asked_columns: tuple[int, ...] = ()
    rearranged: bool = False


def find_moves(
    trails: Sequence[Trail],
    links: Mapping[int, int],
    free: Sequence[int],
    missing: Sequence[int],
    seen: Seen,
    settings: TrackSettings,
) -> Moves:
    """Return who stands elsewhere.

    Parameters
    ----------
    trails : sequence of Trail
    links : mapping of int to int
        Who is where by place.
    free, missing : sequence of int
        Polyps without an individual, and individuals last seen on the photo before without a
        polyp.
    seen : Seen
    settings : TrackSettings
    """
    unlike = sharp_unlikeness(trails, links, seen, settings)
    told = seen.motion.agreeing > 0 or seen.index == 0
    lost_plate = not told and min(len(trails), len(seen.polyps)) >= _REARRANGED_LEAST
    odd = any(unlike[row, column] > settings.odd_look for row, column in links.items())
    if not (lost_plate or odd or (free and missing)):
        return Moves(links=dict(links))
    board = _Board.of(trails, links, free, missing, seen, unlike, settings)
    found = board.solve(_ELSEWHERE)
    rings = _rings(board.homes, {row: found[row] for row in board.moved(found)})
    gains = [board.gain(ring, found) for ring in rings]
    displaced = sum(
        len(ring) for ring, gain in zip(rings, gains, strict=True) if gain >= _DISTURBED
    )
    many = max(_REARRANGED_LEAST, _REARRANGED_SHARE * len(board.rows))
    if lost_plate or displaced >= many:
        # Where the plate's own motion could not be told, places say nothing.
        unlike = sharp_unlikeness(trails, links, seen, settings, places_hold=False)
        board = _Board.of(trails, links, free, missing, seen, unlike, settings)
        return _rearranged(board, 1.0 if lost_plate else displaced / len(board.rows))
    return _few_moves(board, found, rings, gains, unlike, settings)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Board:
    """The plate as a question of who is where: `looks` (rows, columns) and what place adds.

    `homes` says what stands at each one's place: as linked, or too unlike to be linked.
    """

    rows: list[int]
    columns: list[int]
    links: dict[int, int]
    homes: dict[int, int]
    looks: NDArray[np.float64]
    near: NDArray[np.bool_]
    barred: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        trails: Sequence[Trail],
        links: Mapping[int, int],
        free: Sequence[int],
        missing: Sequence[int],
        seen: Seen,
        unlike: NDArray[np.float64],
        settings: TrackSettings,
    ) -> "_Board":
        rows = sorted({*links, *missing})
        columns = sorted({*links.values(), *free})
        xy = xy_of(seen.shapes)[columns]
        places = np.array([[trails[row].last.x_mm, trails[row].last.y_mm] for row in rows])
        away = np.linalg.norm(places.reshape(-1, 1, 2) - xy[None], axis=2)
        near = away <= settings.move_cap_mm
        sizes = np.array([seen.shapes[column].diameter_mm for column in columns])
        small = sizes <= NEWBORN_SHARE * (np.median(sizes) if len(sizes) else 0.0)
        # All newborn look alike, and one more is likelier than one that wandered.
        return cls(
            rows=rows,
            columns=columns,
            links=dict(links),
            homes={**_at_places(away, rows, columns, links, free), **links},
            looks=unlike[np.ix_(rows, columns)],
            near=near,
            barred=small[None] & ~near,
        )

    def cost(self, elsewhere: float) -> NDArray[np.float64]:
        """Return the cost of every link when standing elsewhere costs so much."""
        cost = self.looks + np.where(self.near, min(_NEARBY, elsewhere), elsewhere)
        cost = np.where(self.barred, np.inf, cost)
        taken = set(self.homes.values())
        for a, row in enumerate(self.rows):
            for b, column in enumerate(self.columns):
                if self.homes.get(row) == column:
                    cost[a, b] = min(self.looks[a, b], _PLACE_CAP)
                elif self.near[a, b] and (row in self.homes or column in taken):
                    # Two that changed places were moved, however near they stand.
                    cost[a, b] = self.looks[a, b] + elsewhere
        return cost

    def solve(self, elsewhere: float) -> dict[int, int]:
        """Return the cheapest way to say who is where."""
        pairs = assign(self.cost(elsewhere), _GONE_AND_NEW + elsewhere)
        return {self.rows[a]: self.columns[b] for a, b in pairs}

    def moved(self, found: Mapping[int, int]) -> list[int]:
        """Return the rows that are not where they were looked for."""
        return [row for row, column in sorted(found.items()) if self.homes.get(row) != column]

    def gain(self, ring: Sequence[int], found: Mapping[int, int]) -> float:
        """Return how much better these are explained elsewhere than where they were looked for."""
        cost = self.cost(_ELSEWHERE)
        gain = 0.0
        for row in ring:
            a = self.rows.index(row)
            here = _GONE_AND_NEW + _ELSEWHERE
            if row in self.homes:
                here = min(here, float(cost[a, self.columns.index(self.homes[row])]))
            gain += float(here - cost[a, self.columns.index(found[row])])
        return gain

    def sure(
        self, found: Mapping[int, int], rows: Sequence[int], elsewhere: float
    ) -> dict[int, int]:
        """Return the links of these rows without which the plate is explained much worse."""
        cost = self.cost(elsewhere)
        unmatched = _GONE_AND_NEW + elsewhere
        a_of = {row: a for a, row in enumerate(self.rows)}
        b_of = {column: b for b, column in enumerate(self.columns)}

        def total(matrix: NDArray[np.float64]) -> float:
            return sum(float(matrix[one]) - unmatched for one in assign(matrix, unmatched))

        best = total(cost)
        kept = {}
        for row in rows:
            without = cost.copy()
            without[a_of[row], b_of[found[row]]] = np.inf
            if total(without) - best >= _SURE:
                kept[row] = found[row]
        return kept

    def may_be_one(self, sure: Mapping[int, int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Return the rows and columns without a sure link of which any two may be one and the same.

        The other rows are gone, and the other columns new, wherever pieces stand.
        """
        a = [n for n, row in enumerate(self.rows) if row not in sure]
        b = [n for n, column in enumerate(self.columns) if column not in sure.values()]
        # Small pieces move, too, where so many do.
        could = self.looks[np.ix_(a, b)] < _GONE_AND_NEW
        return (
            tuple(self.rows[a[n]] for n in np.flatnonzero(could.any(axis=1))),
            tuple(self.columns[b[n]] for n in np.flatnonzero(could.any(axis=0))),
        )


def _at_places(
    away: NDArray[np.float64],
    rows: Sequence[int],
    columns: Sequence[int],
    links: Mapping[int, int],
    free: Sequence[int],
) -> dict[int, int]:
    """Return which free polyp stands at the place of each individual that has none."""
    lone = [a for a, row in enumerate(rows) if row not in links]
    open_ = [b for b, column in enumerate(columns) if column in set(free)]
    pairs = assign(away[np.ix_(lone, open_)], _AT_PLACE_MM)
    return {rows[lone[a]]: columns[open_[b]] for a, b in pairs}


def _rearranged(board: _Board, share: float) -> Moves:
    """Return who is where on a plate of which so large a share stands elsewhere."""
    elsewhere = _ELSEWHERE
    found: dict[int, int] = {}
    for _ in range(2):
        # Twice the logarithm of the odds of its own place against any one of the others.
        part = min(max(share, 0.05), 0.99)
        elsewhere = 2 * math.log(max((1 - part) / part * len(board.rows), 1.0))
        found = board.solve(elsewhere)
        if share < 1.0:
            share = len(board.moved(found)) / max(len(board.rows), 1)
    sure = board.sure(found, sorted(found), elsewhere)
    open_rows, open_columns = board.may_be_one(sure)
    return Moves(
        links=sure,
        moved=tuple(board.moved(sure)),
        open_rows=open_rows,
        open_columns=open_columns,
        rearranged=True,
    )


def _few_moves(
    board: _Board,
    found: Mapping[int, int],
    rings: Sequence[list[int]],
    gains: Sequence[float],
    unlike: NDArray[np.float64],
    settings: TrackSettings,
) -> Moves:
    """Return a few pieces that were moved; whoever only looks odd stays where it is."""
    sure = board.sure(found, board.moved(found), _ELSEWHERE)
    links = dict(board.links)
    done: list[int] = []
    left_open: list[int] = []
    asked: list[int] = []
    for ring, gain in zip(rings, gains, strict=True):
        exchange = all(row in board.homes for row in ring) and {
            board.homes[row] for row in ring
        } == {found[row] for row in ring}
        believed = all(row in sure for row in ring)
        if not exchange:
            whole = [_distinct(board, row, found[row], unlike, settings) for row in ring]
            (done if believed and all(whole) else asked).extend(ring)
        elif gain >= _DISTURBED:
            (done if believed else left_open).extend(ring)
        elif gain >= _ASKED:
            asked += ring
    for row in left_open:
        links.pop(row, None)
    for row in done:
        links[row] = found[row]
    return Moves(
        links=links,
        moved=tuple(done),
        open_rows=tuple(left_open),
        open_columns=tuple(found[row] for row in left_open),
        asked_rows=tuple(asked),
        asked_columns=tuple(found[row] for row in asked),
    )


def _rings(links: Mapping[int, int], moved: Mapping[int, int]) -> list[list[int]]:
    """Return the rows that depend on each other: one takes the place of the next."""
    owner = {column: row for row, column in links.items()}
    left = sorted(moved)
    rings = []
    while left:
        ring, queue = [], [left[0]]
        while queue:
            row = queue.pop()
            if row not in left:
                continue
            left.remove(row)
            ring.append(row)
            queue += [one for one in (owner.get(moved[row]),) if one is not None]
            queue += [other for other, column in moved.items() if column == links.get(row)]
        rings.append(sorted(ring))
    return rings


def _distinct(
    board: _Board, row: int, column: int, unlike: NDArray[np.float64], settings: TrackSettings
) -> bool:
    """Whether it was only pushed, or looks like no other on the plate: one that was set there new
    would look like any."""
    if board.near[board.rows.index(row), board.columns.index(column)]:
        return True
    others = np.concatenate([np.delete(unlike[row], column), np.delete(unlike[:, column], row)])
    return bool(others.size) and bool(others.min() >= unlike[row, column] + settings.look_margin)
