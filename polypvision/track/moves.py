"""Pieces that stand elsewhere: pushed, moved, or the whole plate rearranged.

Place alone would silently take one piece for the other that stands there now. So whoever looks
unlike the one that stood at its place, and whoever is missing, is looked for by look alone; where
the looks do not decide, it is left open for a person.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from polypvision.track.assign import assign
from polypvision.track.seen import Seen, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

NEWBORN_SHARE = 0.55
"""A newborn is at most this part of the plate's median diameter (common practice, no source)."""
_REARRANGED_SHARE = 0.25
_REARRANGED_LEAST = 3
"""So many odd ones at once, and no smaller part of the plate, are no chance."""


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
        Individuals and polyps of which it cannot be told who is who.
    rearranged : bool
        So many that pieces of the plate must have changed places.
    """

    links: dict[int, int] = field(default_factory=dict)
    moved: tuple[int, ...] = ()
    open_rows: tuple[int, ...] = ()
    open_columns: tuple[int, ...] = ()
    rearranged: bool = False


def find_moves(
    trails: Sequence[Trail],
    links: Mapping[int, int],
    free: Sequence[int],
    missing: Sequence[int],
    seen: Seen,
    unlike: NDArray[np.float64],
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
    unlike : ndarray (n, m) of float64
        See `looks.unlikeness`.
    settings : TrackSettings
    """
    odd = [row for row, column in sorted(links.items()) if unlike[row, column] > settings.odd_look]
    told = seen.motion.agreeing > 0 or seen.index == 0
    lost_plate = not told and min(len(trails), len(seen.polyps)) >= _REARRANGED_LEAST
    if lost_plate:
        # The plate's own motion could not be told: places say nothing.
        odd = sorted(links)
    rows = sorted({*missing, *odd})
    columns = sorted({*free, *(links[row] for row in odd)})
    whole = max(len(links) + len(missing), 1)
    rearranged = lost_plate or _many(rows, columns, odd, whole)
    pairs = _alike(rows, columns, trails, seen, unlike, settings)
    kept = dict(links)
    if not rearranged:
        return _single_moves(kept, pairs, odd, free, trails, seen, unlike, settings)
    for row in odd:
        del kept[row]
    kept.update(pairs)
    open_columns = tuple(one for one in columns if one not in kept.values())
    return Moves(
        links=kept,
        moved=tuple(sorted(row for row, column in pairs.items() if links.get(row) != column)),
        open_rows=tuple(row for row in rows if row not in kept) if open_columns else (),
        open_columns=open_columns,
        rearranged=True,
    )


def _many(rows: Sequence[int], columns: Sequence[int], odd: Sequence[int], whole: int) -> bool:
    """Whether so many are not at their places, and so many others there, that it is no chance."""
    displaced = min(len(rows), len(columns))
    return displaced >= max(_REARRANGED_LEAST, _REARRANGED_SHARE * whole)


def _alike(
    rows: Sequence[int],
    columns: Sequence[int],
    trails: Sequence[Trail],
    seen: Seen,
    unlike: NDArray[np.float64],
    settings: TrackSettings,
) -> dict[int, int]:
    """Return the pairs among these that look alike, and like no other among them."""
    if not rows or not columns:
        return {}
    part = unlike[np.ix_(rows, columns)]
    pairs = assign(part, settings.odd_look)
    sure: dict[int, int] = {}
    for a, b in pairs:
        others = np.concatenate([np.delete(part[a], b), np.delete(part[:, b], a)])
        nearest = float(others.min()) if others.size else np.inf
        if part[a, b] <= settings.like_look and nearest >= part[a, b] + settings.look_margin:
            sure[rows[a]] = columns[b]
    return sure


def _single_moves(
    links: dict[int, int],
    pairs: Mapping[int, int],
    odd: Sequence[int],
    free: Sequence[int],
    trails: Sequence[Trail],
    seen: Seen,
    unlike: NDArray[np.float64],
    settings: TrackSettings,
) -> Moves:
    """Return a few pieces that were moved; whoever only looks odd stays where it is."""
    xy = xy_of(seen.shapes)
    median_mm = float(np.median([one.diameter_mm for one in seen.shapes])) if seen.shapes else 0.0
    moved: list[int] = []
    open_rows: list[int] = []
    open_columns: list[int] = []
    swapped = {row: column for row, column in pairs.items() if row in odd}
    # An exchange is believed only if all whose places are taken are found as well.
    ring = {links[row] for row in swapped} == set(swapped.values())
    for row, column in sorted(pairs.items()):
        if row in odd:
            if ring and links[row] != column:
                moved.append(row)
            continue
        if column not in free:
            continue
        last = trails[row].last
        away = float(np.hypot(*(xy[column] - (last.x_mm, last.y_mm))))
        others = np.concatenate([np.delete(unlike[row], column), np.delete(unlike[:, column], row)])
        distinct = bool(others.size) and others.min() >= unlike[row, column] + settings.look_margin
        near = away <= settings.move_cap_mm
        if not near and seen.shapes[column].diameter_mm <= NEWBORN_SHARE * median_mm:
            # All newborn look alike, and one more is likelier than one that wandered.
            continue
        if near or distinct:
            links[row] = column
            moved.append(row)
        else:
            open_rows.append(row)
            open_columns.append(column)
    for row in moved:
        links[row] = pairs[row]
    return Moves(
        links=links,
        moved=tuple(moved),
        open_rows=tuple(open_rows),
        open_columns=tuple(open_columns),
    )
