"""Discs by shape alone, whatever they are: closed round margins that differ from what is outside.

For when the question is not "where are the polyps?" but "where is anything round?": to check sizes
on coins of known diameter, or with animals that the reader network does not know. No network.

Three steps. Every edge pixel votes for middles along its own gradient, at each radius (fast radial
symmetry: Loy & Zelinsky 2003, IEEE Trans Pattern Anal Mach Intell 25:959-973; from memory). Round
each middle the best closed margin is found in polar coordinates (dynamic programming, which a gap
or a neighbour does not stop). A margin counts if most of it is an edge of the same sense, dark to
bright or bright to dark.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from skimage.color import rgb2lab
from skimage.draw import polygon
from skimage.feature import peak_local_max

from polypvision.calibrate.view import PlateView
from polypvision.reading import Points
from polypvision.segment.polyp_map import PolypMap

Field = NDArray[np.float32]

MIN_DIAMETER_MM = 4.0
"""Smallest disc that is looked for; smaller ones are specks and pits (common practice, no
source)."""
_RADII_PX = np.arange(7, 15)
"""Radii in each level of the pyramid, pixels of the level; each level halves the last."""
_RAYS = 72
_ANGLES = np.arange(_RAYS) * (2 * np.pi / _RAYS)
_WAYS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], 1)
_REACH = np.linspace(0.6, 1.45, 46)
"""Where along a ray the margin is looked for, in radii."""
_CLOSE_REACH = np.linspace(0.82, 1.18, 46)
"""The same, once the margin is roughly known."""
_CLOSE_RADIUS_PX = 30.0
"""Radius at which a margin is looked at closely, pixels of its level."""
_CANDIDATES = 250
_EDGE_LAB = 3.0
"""Least change across a margin, CIELAB units: what an eye just sees as an edge is about 2.3 (just
noticeable difference; Mahy et al. 1994, from memory)."""
_RAGGED = 0.06
"""How far an edge may stray from a disc's even outline, in radii."""
_LEAST_SHARE = 0.4
"""Least change at an edge, as a part of the usual change along its margin."""
_LEAST_SUPPORT = 0.62
"""Least part of a margin that is an edge, leaving out where it touches another disc's."""
_LEAST_OWN = 0.45
"""Least part of a margin that is an edge and no other disc's."""
_LEAST_WORTH = 1.5
_MOST_SHARED = 0.25
"""Most of a disc that may lie on another."""
_BAND = 0.07
"""Half the width of the band that a margin owns, in radii."""
_LEAST_SIDE = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class Margin:
    """A closed margin that may be a disc's.

    Attributes
    ----------
    middle : ndarray (2,)
        The point from which its rays start, x and y in view pixels.
    radius : ndarray (72,)
        Along each ray, view pixels.
    edge : ndarray (72,) of bool
        Where it is an edge of the sense of the whole.
    """

    middle: Points
    radius: Points
    edge: NDArray[np.bool_]

    @property
    def outline(self) -> Points:
        """Outline (72, 2), x and y, view pixels."""
        return np.asarray(self.middle + self.radius[:, None] * _WAYS, np.float64)

    @property
    def support(self) -> float:
        """Part of it that is an edge."""
        return float(self.edge.mean())


def _levels(view: PlateView) -> list[tuple[Field, float]]:
    """Return the view as CIELAB at falling sizes, and each one's pixels by a view pixel."""
    lab = np.asarray(rgb2lab(view.rgb), np.float32)
    lab[~view.valid] = np.median(lab[view.valid], axis=0) if view.valid.any() else 0
    factor = _RADII_PX[0] / (0.5 * MIN_DIAMETER_MM * view.px_per_mm)
    levels = []
    while min(view.valid.shape) * factor >= _LEAST_SIDE:
        size = (round(lab.shape[1] * factor), round(lab.shape[0] * factor))
        small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA)
        levels.append((np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), np.float32), factor))
        factor /= 2
    return levels


def _gradient(lab: Field) -> tuple[Field, Field, Field]:
    """Return x and y of the steepest colour change (unit vectors), and its size.

    The direction is the main axis of the colour channels' structure tensor (Di Zenzo 1986, Comput
    Vis Graph Image Process 33:116-125; from memory), towards the brighter side.
    """
    gx = cv2.Sobel(lab, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(lab, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    xx, yy, xy = (gx * gx).sum(axis=2), (gy * gy).sum(axis=2), (gx * gy).sum(axis=2)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    cosine, sine = np.cos(angle), np.sin(angle)
    size = np.sqrt(np.maximum(xx * cosine**2 + 2 * xy * cosine * sine + yy * sine**2, 0))
    sense = np.where(gx[..., 0] * cosine + gy[..., 0] * sine < 0, -1, 1)
    return (
        np.asarray(cosine * sense, np.float32),
        np.asarray(sine * sense, np.float32),
        np.asarray(size, np.float32),
    )


def _votes(lab: Field) -> NDArray[np.float32]:
    """Return votes for a middle (2 senses, radii, H, W), as parts of a whole circle."""
    height, width = lab.shape[:2]
    nx, ny, size = _gradient(lab)
    rows, columns = np.nonzero(size > max(_EDGE_LAB / 4, 1.5 * float(np.median(size))))
    ux, uy = nx[rows, columns], ny[rows, columns]
    votes = np.zeros((2, len(_RADII_PX), height, width), np.float32)
    for sense in (0, 1):
        for index, radius in enumerate(_RADII_PX):
            step = radius if sense else -radius
            x = np.round(columns + step * ux).astype(np.int64)
            y = np.round(rows + step * uy).astype(np.int64)
            inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
            counts = np.bincount(y[inside] * width + x[inside], minlength=height * width)
            spread = cv2.GaussianBlur(
                counts.reshape(height, width).astype(np.float32), (0, 0), 0.16 * radius
            )
            # An edge blurred over a few pixels votes several times; a circle has 2 pi r places.
            votes[sense, index] = spread * (2 * np.pi * (0.16 * radius) ** 2) / (2 * np.pi * radius)
    return votes


def _candidates(lab: Field) -> Points:
    """Return x, y, radius (n, 3) of likely discs, level pixels."""
    votes = _votes(lab).max(axis=0)
    best = votes.max(axis=0)
    radii = _RADII_PX[votes.argmax(axis=0)]
    peaks = peak_local_max(
        best, min_distance=3, threshold_abs=0.5, num_peaks=_CANDIDATES, exclude_border=False
    )
    return np.column_stack([peaks[:, 1], peaks[:, 0], radii[peaks[:, 0], peaks[:, 1]]]).astype(
        np.float64
    )


def _closed_path(gain: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the column (n, rays) of the best closed path through gains (n, rays, steps).

    From ray to ray it may move by one step. Its end is made to meet its start by going round
    twice and keeping the second round.
    """
    n, rays, steps = gain.shape
    total = np.zeros((n, steps))
    back = np.zeros((2 * rays, n, steps), np.int8)
    for ray in range(2 * rays):
        low = np.pad(total, ((0, 0), (1, 0)), constant_values=-np.inf)[:, :-1] - 0.05
        high = np.pad(total, ((0, 0), (0, 1)), constant_values=-np.inf)[:, 1:] - 0.05
        choice = np.argmax(np.stack([low, total, high]), axis=0)
        back[ray] = choice - 1
        total = np.choose(choice, [low, total, high]) + gain[:, ray % rays]
    place = total.argmax(axis=1)
    path = np.zeros((n, rays), np.int64)
    everyone = np.arange(n)
    for ray in range(2 * rays - 1, -1, -1):
        # The round that is kept lies in the middle, so that neither end bends it.
        if rays // 2 <= ray < rays // 2 + rays:
            path[:, ray % rays] = place
        place = place + back[ray][everyone, place]
    return path


def _trace(
    lab: Field, middles: Points, radii: Points, reach: Points
) -> tuple[Points, NDArray[np.bool_]]:
    """Return the best margin round each middle: radii (n, rays), and where it is an edge.

    Parameters
    ----------
    lab : ndarray (H, W, 3)
    middles : ndarray (n, 2)
    radii : ndarray (n, rays)
        About where it runs.
    reach : ndarray (steps,)
        Where it is looked for, in those radii.
    """
    far = radii[:, :, None] * reach
    places = middles[:, None, None] + far[..., None] * _WAYS[:, None]
    seen = cv2.remap(
        lab,
        places[..., 0].reshape(len(middles), -1).astype(np.float32),
        places[..., 1].reshape(len(middles), -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(*places.shape[:3], 3)
    # One sense for the whole margin: the main change of colour from inside to outside.
    side = len(reach) // 4
    sense = seen[:, :, -side:].mean(axis=(1, 2)) - seen[:, :, :side].mean(axis=(1, 2))
    sense /= np.maximum(np.linalg.norm(sense, axis=1, keepdims=True), 1e-6)
    level = np.einsum("nrsc,nc->nrs", seen, sense)
    # Change over about a pixel and a half to either side, outwards. (Candidates of a level are of
    # like size, so one step does for all.)
    pitch = float(np.median(far[:, :, 1] - far[:, :, 0]))
    wide = int(np.clip(round(1.5 / pitch), 1, side))
    change = np.zeros_like(level)
    change[:, :, wide:-wide] = level[:, :, 2 * wide :] - level[:, :, : -2 * wide]
    usual = np.maximum(np.median(change.max(axis=2), axis=1), _EDGE_LAB)[:, None]
    path = _closed_path(np.clip(change / usual[..., None], -0.5, 1.2))
    strength = np.take_along_axis(change, path[..., None], axis=2)[..., 0]
    found = np.take_along_axis(far, path[..., None], axis=2)[..., 0]
    return found, strength > np.maximum(_EDGE_LAB, _LEAST_SHARE * usual)


def _rough(lab: Field, factor: float) -> list[Margin]:
    """Return the margins of a level of the pyramid, in view pixels."""
    candidates = _candidates(lab)
    if not len(candidates):
        return []
    radii = np.repeat(candidates[:, 2:], _RAYS, axis=1)
    found, edges = _trace(lab, candidates[:, :2], radii, _REACH)
    return [
        Margin(middle=(middle + 0.5) / factor - 0.5, radius=radius / factor, edge=edge)
        for middle, radius, edge in zip(candidates[:, :2], found, edges, strict=True)
    ]


def _closely(margins: list[Margin], levels: list[tuple[Field, float]]) -> list[Margin]:
    """Look at margins again where each is large enough to be followed to a part of a pixel."""
    looked: list[Margin] = []
    sizes = np.array([float(np.median(margin.radius)) for margin in margins])
    scales = np.array([factor for _, factor in levels])
    fits = np.abs(np.log(sizes[:, None] * scales / _CLOSE_RADIUS_PX)).argmin(axis=1)
    for number, (lab, factor) in enumerate(levels):
        own = [margin for margin, fit in zip(margins, fits, strict=True) if fit == number]
        if not own:
            continue
        middles = (np.stack([margin.middle for margin in own]) + 0.5) * factor - 0.5
        smooth = gaussian_filter1d(np.stack([m.radius for m in own]), 2.0, axis=1, mode="wrap")
        found, edges = _trace(lab, middles, factor * smooth, _CLOSE_REACH)
        radii = gaussian_filter1d(found, 1.0, axis=1, mode="wrap") / factor
        looked += [
            Margin(middle=margin.middle, radius=radius, edge=edge & _regular(radius))
            for margin, radius, edge in zip(own, radii, edges, strict=True)
        ]
    return looked


def _regular(radius: Points) -> NDArray[np.bool_]:
    """Return where a margin follows an ellipse: the first harmonics of its radii, nearly."""
    waves = np.fft.rfft(radius)
    waves[4:] = 0  # 1: off its middle, 2: long and short axis, 3: an egg
    smooth = np.fft.irfft(waves, len(radius))
    return np.asarray(np.abs(radius - smooth) < _RAGGED * np.median(radius))


def _worth(radius: Points, edge: NDArray[np.bool_], free: NDArray[np.bool_]) -> NDArray[np.float64]:
    """How unlikely it is that chance made each margin (log-odds): long and well supported ones.

    A circle's worth of edge elements, each of the right sense by chance as often as not (a
    contrario: Desolneux, Moisan & Morel 2000, Int J Comput Vis 40:7-23; from memory). Where it
    runs along another disc's margin it says nothing for or against.

    Parameters
    ----------
    radius : ndarray (n,)
    edge, free : ndarray (n, rays) of bool
        Where it is an edge, and where it is no other disc's.
    """
    count = free.sum(axis=1)
    share = (edge & free).sum(axis=1) / np.maximum(count, 1)
    share = np.clip(share, 0.5, 0.999)
    surprise = share * np.log(2 * share) + (1 - share) * np.log(2 * (1 - share))
    enough = (edge & free).mean(axis=1) >= _LEAST_OWN
    return np.asarray(enough * (share >= _LEAST_SUPPORT) * surprise * radius * count / _RAYS)


def _free(places: NDArray[np.int64], owned: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where pixels x, y (..., 2) are no disc's margin yet; outside the view is free."""
    x, y = places[..., 0], places[..., 1]
    inside = (x >= 0) & (y >= 0) & (x < owned.shape[1]) & (y < owned.shape[0])
    free = np.ones(x.shape, np.bool_)
    free[inside] = ~owned[y[inside], x[inside]]
    return free


def find_margins(view: PlateView) -> list[Margin]:
    """Return the discs of a view, the surest first.

    An edge belongs to one disc only: what lies between round things is bounded by their margins
    and is none itself.
    """
    levels = _levels(view)
    rough = [margin for lab, factor in levels for margin in _rough(lab, factor)]
    rough = [margin for margin in rough if margin.support >= _LEAST_OWN]
    close = [m for m in _closely(rough, levels) if m.support >= _LEAST_OWN] if rough else []
    if not close:
        return []
    radius = np.array([float(np.median(margin.radius)) for margin in close])
    edge = np.stack([margin.edge for margin in close])
    places = np.round(np.stack([margin.outline for margin in close])).astype(np.int64)
    taken, owned = np.zeros((2, *view.valid.shape), np.bool_)
    waiting = np.ones(len(close), np.bool_)
    kept: list[Margin] = []
    while True:
        worth = _worth(radius, edge, _free(places, owned)) * waiting
        best = int(np.argmax(worth))
        if worth[best] < _LEAST_WORTH:
            return kept
        waiting[best] = False
        margin = close[best]
        inside = polygon(margin.outline[:, 1], margin.outline[:, 0], taken.shape)
        if len(inside[0]) == 0 or taken[inside].mean() > _MOST_SHARED:
            continue
        kept.append(margin)
        taken[inside] = True
        band = np.zeros(taken.shape, np.uint8)
        thick = max(round(_BAND * 2 * float(radius[best])), 3)
        cv2.polylines(band, [places[best].astype(np.int32)], True, 1, thick)
        owned |= band > 0


def find_discs(view: PlateView) -> PolypMap:
    """Return everything in a view that is round and stands out, polyp or not.

    Parameters
    ----------
    view : PlateView

    Returns
    -------
    PolypMap
        Labels in the order of each disc's first pixel, by rows; the score is the part of its
        margin that is an edge.
    """
    owner = np.zeros(view.valid.shape, np.int32)
    margins = find_margins(view)
    for number, margin in reversed(list(enumerate(margins, 1))):
        owner[polygon(margin.outline[:, 1], margin.outline[:, 0], owner.shape)] = number
    owner[~view.valid] = 0
    numbers, first = np.unique(owner, return_index=True)
    order = [int(number) for number in numbers[np.argsort(first)] if number]
    new = np.zeros(len(margins) + 1, np.int32)
    new[order] = np.arange(1, len(order) + 1)
    scores = tuple(margins[number - 1].support for number in order)
    return PolypMap(labels=new[owner], scores=scores)
