"""Every polyp's size, wound and colour, in mm, each with its standard uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.gates import COARSE_PX_PER_MM
from polypvision.calibrate.srgb import LINEAR_OF_CODE
from polypvision.calibrate.view import PlateView
from polypvision.measure.budget import ScalePart, budget_lines, combined
from polypvision.measure.doubts import outline_doubts
from polypvision.measure.localisation import (
    band_width_mm,
    outline_err_mm,
    wound_border_err_mm2,
)
from polypvision.measure.shape import Outlines, hull_corners, mask_outlines
from polypvision.measure.sizes import OutlineSize, mouth_flags, outline_sizes
from polypvision.measure.wounds import Wound, find_wounds
from polypvision.mouths.find import PolypMouths
from polypvision.reading import Mouth, Points, Polyp
from polypvision.segment.maps import PlateMaps
from polypvision.segment.medians import median
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.windows import Window, corner_xy, hull_xy

_GLARE_CODE = 250
_GLARE_SHARE = 0.04
_COLOUR_PIXELS = 6_000
"""Of more, only some are looked at for a polyp's colour."""
_FROM_CARD = {"markers", "lens", "focal-length"}
"""What grows with the way from the card."""
_CARD_FAR = 0.01
"""Relative uncertainty of a length from these, beyond which a second card
is advised: as much as all else together on a good photo (own choice)."""
_CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], np.uint8)


def _hull(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the convex hull of a polyp: glare in it can pass for a hole or a dent."""
    filled = mask.astype(np.uint8)
    cv2.fillConvexPoly(filled, hull_xy(mask), 1)
    return filled.view(np.bool_)


def _mouths(view: PlateView, seen: Sequence[PolypMouths]) -> list[tuple[Mouth, ...]]:
    """Return the mouths of every polyp, in the order of the polyps."""
    places_mm = view.to_mm(np.concatenate([one.places_xy for one in seen]))
    places = np.column_stack([view.to_photo(places_mm), places_mm]).tolist()
    scores = [score for one in seen for score in one.scores]
    every = iter(
        Mouth(x_px=x_px, y_px=y_px, x_mm=x_mm, y_mm=y_mm, score=score)
        for (x_px, y_px, x_mm, y_mm), score in zip(places, scores, strict=True)
    )
    return [tuple(islice(every, len(one.scores))) for one in seen]


def _scale_parts(view: PlateView, places_mm: Points) -> list[list[ScalePart]]:
    """What makes lengths uncertain at each of some places (n, 2) of the plate."""
    if not view.scale_inputs:
        relative = view.scale.mm_per_px_err / view.scale.mm_per_px
        part = ScalePart(name="scale", u=100 * relative, unit="%", change=relative)
        return [[part] for _ in places_mm]
    return [
        [
            ScalePart(name=one.name, u=one.u, unit=one.unit, change=change)
            for one, change in zip(view.scale_inputs, changes, strict=True)
        ]
        for changes in view.scale_changes(places_mm).tolist()
    ]


def measure_polyps(
    view: PlateView,
    maps: PlateMaps,
    polyp_map: PolypMap,
    mouths: Sequence[PolypMouths],
    *,
    normal_mouths: int = 1,
) -> tuple[Polyp, ...]:
    """Measure every polyp of a view.

    Parameters
    ----------
    view : PlateView
    maps : PlateMaps
    polyp_map : PolypMap
    mouths : sequence of PolypMouths
        One for each label, in order.
    normal_mouths : int
        Mouths that are normal for the line; more are flagged.

    Returns
    -------
    tuple of Polyp
        In the order of the labels.
    """
    if not polyp_map.n_polyps:
        return ()
    # Each step is done for all polyps before the next one: code that has just run runs faster than
    # code that all the other steps have driven out of the processor's cache. What is arithmetic on
    # a few numbers is done for all of them at once.
    discs = _discs(polyp_map)
    sizes = _sized(view, maps, discs)
    wounds = _wounded(view, maps, discs)
    colours = _body_colours(view.rgb, discs)
    around = [_flags_of_place(view, disc) for disc in discs]
    flags = [
        beside
        | _flags_of_shape(disc, size, wound.wound, len(seen.scores), "touches-edge" in beside)
        | mouth_flags(len(seen.scores), seen.two_mouths_probability, normal_mouths)
        for beside, disc, size, wound, seen in zip(
            around, discs, sizes, wounds, mouths, strict=True
        )
    ]
    return tuple(
        _polyp(view, score, *known)
        for score, *known in zip(
            polyp_map.scores,
            discs,
            sizes,
            wounds,
            _mouths(view, mouths),
            [seen.two_mouths_probability for seen in mouths],
            colours,
            flags,
            strict=True,
        )
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Disc:
    """A polyp in its window: its mask, all labels there, its outline there and that one's hull."""

    label: int
    window: Window
    labels: NDArray[np.int32]
    mask: NDArray[np.bool_]
    outline_xy: Points
    corners: NDArray[np.int32]


def _discs(polyp_map: PolypMap) -> list[_Disc]:
    windows = polyp_map.windows(margin_px=6)
    labels = [polyp_map.labels[window] for window in windows]
    masks = [own == label for label, own in enumerate(labels, start=1)]
    return [
        _Disc(
            label=label,
            window=window,
            labels=own,
            mask=mask,
            outline_xy=outline,
            corners=hull_corners(outline),
        )
        for label, (window, own, mask, outline) in enumerate(
            zip(windows, labels, masks, mask_outlines(masks), strict=True), start=1
        )
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sized:
    """Where a polyp is and its size, and what that is uncertain by."""

    outline_mm: Points
    outline_px: Points
    centre_px: list[float]
    photo_px_per_mm: float
    size: OutlineSize
    parts: list[ScalePart]
    outline_err_mm: float


def _sized(view: PlateView, maps: PlateMaps, discs: Sequence[_Disc]) -> list[_Sized]:
    on_view = Outlines.of([disc.outline_xy + corner_xy(disc.window) for disc in discs])
    on_plate = on_view.moved(view.to_mm)
    parts = _scale_parts(view, on_plate.centroids)
    outline_errs = [
        outline_err_mm(
            band_width_mm(maps.tissue[disc.window], disc.mask, view.px_per_mm, length_mm),
            view.edge_width_mm,
        )
        for disc, length_mm in zip(discs, on_plate.perimeters.tolist(), strict=True)
    ]
    relative = [combined(part.change for part in own) for own in parts]
    return [
        _Sized(
            outline_mm=outline_mm,
            outline_px=outline_px,
            centre_px=centre_px,
            photo_px_per_mm=photo_px_per_mm,
            size=size,
            parts=own,
            outline_err_mm=outline_err,
        )
        for outline_mm, outline_px, centre_px, photo_px_per_mm, size, own, outline_err in zip(
            on_plate.each(),
            on_plate.moved(view.to_photo).each(),
            view.to_photo(on_plate.centroids).tolist(),
            view.photo_px_per_mm(on_plate.centroids).tolist(),
            outline_sizes(on_plate, relative, outline_errs, [disc.corners for disc in discs]),
            parts,
            outline_errs,
            strict=True,
        )
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wounded:
    """A polyp's wound, and what its border leaves uncertain; 0 without one."""

    wound: Wound
    border_err_mm2: float


def _wounded(view: PlateView, maps: PlateMaps, discs: Sequence[_Disc]) -> list[_Wounded]:
    polyps = [(maps.wound[disc.window], disc.mask) for disc in discs]
    return [
        _Wounded(
            wound=wound,
            border_err_mm2=wound_border_err_mm2(*polyp, view.px_per_mm) if wound.area_px else 0.0,
        )
        for wound, polyp in zip(find_wounds(polyps, view.px_per_mm), polyps, strict=True)
    ]


def _polyp(
    view: PlateView,
    score: float,
    disc: _Disc,
    sized: _Sized,
    wounded: _Wounded,
    mouths: tuple[Mouth, ...],
    two_mouths_probability: float,
    colour_lab: tuple[float, float, float],
    flags: set[str],
) -> Polyp:
    size, wound = sized.size, wounded.wound
    wound_mm2 = wound.area_px / view.px_per_mm**2
    budget = budget_lines(
        sized.parts,
        size,
        sized.outline_err_mm,
        wound_mm2=wound_mm2,
        wound_border_err_mm2=wounded.border_err_mm2,
    )
    return Polyp(
        label=disc.label,
        x_mm=float(size.centre_mm[0]),
        y_mm=float(size.centre_mm[1]),
        x_px=sized.centre_px[0],
        y_px=sized.centre_px[1],
        outline_px=sized.outline_px,
        outline_mm=sized.outline_mm,
        diameter_mm=size.diameter_mm,
        diameter_mm_err=size.diameter_mm_err,
        feret_max_mm=size.feret_max_mm,
        area_mm2=size.area_mm2,
        area_mm2_err=size.area_mm2_err,
        mouths=mouths,
        two_mouths_probability=two_mouths_probability,
        wound_mm2=wound_mm2,
        wound_mm2_err=combined(line.wound_mm2 for line in budget),
        wound_margin_mm=wound.margin_px / view.px_per_mm,
        wound_outlines_px=tuple(
            view.to_photo(view.to_mm(part + corner_xy(disc.window))) for part in wound.outlines_xy
        ),
        colour_lab=colour_lab,
        score=score,
        flags=tuple(flags),
        budget=budget,
    )


def _body_colours(
    rgb: NDArray[np.uint8], discs: Sequence[_Disc]
) -> list[tuple[float, float, float]]:
    """Return the CIELAB colour of every polyp's disc.

    It is the median of its pixels' darker, more coloured half: a fresh cut can be pale over a third
    of a small piece, which would drag a plain median.
    """
    pixels = []
    for disc in discs:
        inside = np.flatnonzero(disc.mask)
        row, column = np.divmod(inside[:: len(inside) // _COLOUR_PIXELS + 1], disc.mask.shape[1])
        pixels.append((disc.window[0].start + row) * rgb.shape[1] + disc.window[1].start + column)
    codes = rgb.reshape(-1, 3).take(np.concatenate(pixels), axis=0)
    linear = cv2.LUT(codes[None], LINEAR_OF_CODE)
    lightness, a, b = (one[0] for one in cv2.split(cv2.cvtColor(linear, cv2.COLOR_LRGB2Lab)))
    depth = lightness - np.sqrt(a * a + b * b)
    ends = np.cumsum([len(one) for one in pixels]).tolist()
    colours = []
    for part in map(slice, [0, *ends[:-1]], ends):
        coloured = np.flatnonzero(depth[part] <= median(depth[part]))
        values = (median(one[part].take(coloured)) for one in (lightness, a, b))
        colours.append((next(values), next(values), next(values)))
    return colours


def _flags_of_place(view: PlateView, disc: _Disc) -> set[str]:
    """Return what is to be said of what lies over and beside a polyp."""
    flags: set[str] = set()
    mask, window = disc.mask, disc.window
    reach = cv2.dilate(mask.view(np.uint8), _CROSS).view(np.bool_)
    # The windows carry a margin, except where the view ends.
    on_border = mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()
    if on_border or (reach > view.valid[window]).any():
        flags.add("touches-edge")
    # Only the pixels beside it: there are few.
    if disc.labels.take(np.flatnonzero(reach > mask)).any():
        flags.add("touching")
    clipped = np.asarray(cv2.inRange(view.rgb[window], (_GLARE_CODE,) * 3, (255,) * 3), np.bool_)
    if view.clipped is not None:
        clipped |= view.clipped[window]
    # The hull is at least as large as the mask, and worked out only where there may be enough.
    if np.count_nonzero(clipped) > _GLARE_SHARE * np.count_nonzero(mask):
        no_other = (disc.labels == 0) | mask
        if clipped[_hull(mask) & no_other].mean() > _GLARE_SHARE:
            flags.add("glare")
    return flags


def _flags_of_shape(
    disc: _Disc, sized: _Sized, wound: Wound, n_mouths: int, at_edge: bool
) -> set[str]:
    """Return what is to be said of a polyp's outline, size and wound."""
    flags = outline_doubts(
        disc.outline_xy,
        disc.labels,
        disc.label,
        n_mouths=n_mouths,
        n_wounds=len(wound.outlines_xy),
        at_edge=at_edge,
        corners=disc.corners,
    )
    if wound.area_px > 0:
        flags.add("wound")
    if sized.size.irregular:
        flags.add("irregular")
    if combined(part.change for part in sized.parts if part.name in _FROM_CARD) > _CARD_FAR:
        flags.add("card-far")
    if sized.photo_px_per_mm < COARSE_PX_PER_MM:
        flags.add("coarse")
    return flags
