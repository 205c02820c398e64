"""What it costs to take a polyp for an individual, and the cheapest explanation of a photo."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.track.assign import assign
from polypvision.track.partings import Parting
from polypvision.track.seen import Seen, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Trail

_REACH_SIGMAS = 3.0
"""The farthest move allowed counts as three standard deviations."""


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """Who is where on a photo: links by individual, and who came apart into what."""

    links: dict[int, int]
    partings: tuple[Parting, ...]


def link_cost(
    trails: Sequence[Trail],
    seen: Seen,
    unlike: NDArray[np.float64],
    settings: TrackSettings,
) -> NDArray[np.float64]:
    """Return the cost (individuals, polyps) of each link, infinite beyond a limit.

    Squared standard deviations of the move and of the look, the look's bounded, and what missing
    on the photos before adds; see `TrackSettings`.
    """
    cost = np.full((len(trails), len(seen.shapes)), np.inf)
    if not cost.size:
        return cost
    xy = xy_of(seen.shapes)
    log_size = np.log([one.diameter_mm for one in seen.shapes])
    for row, trail in enumerate(trails):
        last = trail.last
        days = seen.day - last.day
        move = np.hypot(*(xy - (last.x_mm, last.y_mm)).T) / settings.reach_mm(days)
        change = np.abs(log_size - np.log(last.polyp.diameter_mm)) / settings.size_reach(days)
        look = unlike[row] / (1 + unlike[row] / settings.look_cap)
        missed = min(2, trail.missed(seen.index)) * settings.missed_cost
        if trail.doubtful:
            missed += settings.ghost_cost
        if trail.end == "open":
            missed += settings.open_cost
        total = (_REACH_SIGMAS * move) ** 2 + look + missed
        cost[row] = np.where((move <= 1) & (change <= 1), total, np.inf)
    return cost


def cheapest(
    cost: NDArray[np.float64],
    partings: Sequence[Parting],
    order: NDArray[np.intp],
    unmatched: float,
) -> Explanation:
    """Return the cheapest explanation: links of one to one, and partings that pay.

    A parting is taken if the whole photo is explained more cheaply with it than without, the
    surest first; one that a person logged is always taken.

    Parameters
    ----------
    cost : ndarray (n, m) of float64
    partings : sequence of Parting
        Those that could be.
    order : ndarray (m,) of int
        Reading order of the polyps, so that how the reading numbered them decides nothing.
    unmatched : float
        Cost of leaving one individual and one polyp unmatched.
    """

    def solve(taken: Sequence[Parting]) -> tuple[float, dict[int, int]]:
        allowed = cost[:, order].copy()
        total = 0.0
        place = np.argsort(order)
        for one in taken:
            allowed[one.row] = np.inf
            allowed[:, place[list(one.columns)]] = np.inf
            total += (1 - one.verdict.confidence) * unmatched
            total -= (1 + len(one.columns)) * unmatched / 2
        links = assign(allowed, unmatched)
        total += sum(float(allowed[link]) - unmatched for link in links)
        return total, {row: int(order[column]) for row, column in links}

    taken: list[Parting] = []
    best, links = solve(taken)
    for one in sorted(partings, key=lambda p: (-p.verdict.confidence, p.row, p.columns)):
        used = {column for other in taken for column in other.columns}
        if used & set(one.columns) or any(other.row == one.row for other in taken):
            continue
        total, with_it = solve([*taken, one])
        if one.logged or total < best:
            taken.append(one)
            best, links = total, with_it
    return Explanation(links=links, partings=tuple(taken))
