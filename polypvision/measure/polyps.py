"""Every polyp's size, wound and colour, in mm, each with its standard uncertainty."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import rgb2lab

from polypvision.calibrate.gates import COARSE_PX_PER_MM
from polypvision.calibrate.view import PlateView
from polypvision.measure.budget import ScalePart, budget_lines, combined
from polypvision.measure.doubts import outline_doubts
from polypvision.measure.localisation import (
    band_width_mm,
    outline_err_mm,
    wound_border_err_mm2,
)
from polypvision.measure.shape import mask_outline, perimeter, polygon_centroid
from polypvision.measure.sizes import mouth_flags, outline_size
from polypvision.measure.wounds import Wound, find_wound
from polypvision.mouths.find import PolypMouths
from polypvision.reading import Mouth, Points, Polyp
from polypvision.segment.maps import PlateMaps
from polypvision.segment.polyp_map import PolypMap, polyp_windows

_GLARE_CODE = 250
_GLARE_SHARE = 0.04
_COLOUR_PIXELS = 10_000
_FROM_CARD = {"markers", "lens", "focal-length"}
"""What grows with the way from the card."""
_CARD_FAR = 0.01
"""Relative uncertainty of a length from these, beyond which a second card
is advised: as much as all else together on a good photo (own choice)."""


def _touches_edge(mask: NDArray[np.bool_], valid: NDArray[np.bool_]) -> bool:
    """Whether the polyp reaches the end of the measured area. Both windows carry a margin."""
    reach = mask.copy()
    reach[1:] |= mask[:-1]
    reach[:-1] |= mask[1:]
    reach[:, 1:] |= mask[:, :-1]
    reach[:, :-1] |= mask[:, 1:]
    on_border = mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()
    return bool(on_border or (reach & ~valid).any())


def _hull(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the convex hull of a polyp: glare in it can pass for a hole or a dent."""
    filled = mask.astype(np.uint8)
    rows = np.flatnonzero(mask.any(axis=1))
    first = mask[rows].argmax(axis=1)
    last = mask.shape[1] - 1 - mask[rows, ::-1].argmax(axis=1)
    # The ends of the rows are enough: no other pixel can be a corner of the hull.
    ends = np.column_stack([np.concatenate([first, last]), np.concatenate([rows, rows])])
    cv2.fillConvexPoly(filled, cv2.convexHull(ends.astype(np.int32)), 1)
    return filled.astype(np.bool_)


def _touches_neighbour(labels: NDArray[np.int32], label: int) -> bool:
    own = labels == label
    other = ~own & (labels != 0)
    near = other.any() and (
        (own[1:] & other[:-1]).any()
        or (own[:-1] & other[1:]).any()
        or (own[:, 1:] & other[:, :-1]).any()
        or (own[:, :-1] & other[:, 1:]).any()
    )
    return bool(near)


def _mouth(view: PlateView, place_xy: Points, score: float) -> Mouth:
    place_mm = view.to_mm(place_xy[None, :])
    place_px = view.to_photo(place_mm)[0]
    return Mouth(
        x_px=float(place_px[0]),
        y_px=float(place_px[1]),
        x_mm=float(place_mm[0, 0]),
        y_mm=float(place_mm[0, 1]),
        score=score,
    )


def _scale_parts(view: PlateView, place_mm: Points) -> list[ScalePart]:
    """What makes lengths uncertain at one place of the plate."""
    if not view.scale_inputs:
        relative = view.scale.mm_per_px_err / view.scale.mm_per_px
        return [ScalePart(name="scale", u=100 * relative, unit="%", change=relative)]
    changes = view.scale_changes(place_mm)
    return [
        ScalePart(name=one.name, u=one.u, unit=one.unit, change=float(change))
        for one, change in zip(view.scale_inputs, changes, strict=True)
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
    windows = polyp_windows(polyp_map.labels, margin_px=6)
    return tuple(
        _measure(
            view, maps, polyp_map, index + 1, windows[index].slices, mouths[index], normal_mouths
        )
        for index in range(polyp_map.n_polyps)
    )


def _measure(
    view: PlateView,
    maps: PlateMaps,
    polyp_map: PolypMap,
    label: int,
    window: tuple[slice, slice],
    mouths: PolypMouths,
    normal_mouths: int,
) -> Polyp:
    labels = polyp_map.labels[window]
    mask = labels == label
    rgb = view.rgb[window]
    corner = np.array([window[1].start, window[0].start], dtype=np.float64)
    outline = mask_outline(mask)
    outline_mm = view.to_mm(outline + corner)
    centre = polygon_centroid(outline_mm)
    parts = _scale_parts(view, centre)
    relative = combined(part.change for part in parts)
    band = band_width_mm(maps.tissue[window], mask, view.px_per_mm, perimeter(outline_mm))
    outline_err = outline_err_mm(band, view.edge_width_mm)
    size = outline_size(outline_mm, relative, outline_err)

    pixels = rgb[mask]
    body = body_colour(pixels)
    wound = find_wound(maps.wound[window], mask, view.px_per_mm)
    wound_mm2 = wound.area_px / view.px_per_mm**2
    margin_mm = wound.margin_px / view.px_per_mm
    border_err = wound_border_err_mm2(maps.wound[window], mask, view.px_per_mm)
    budget = budget_lines(
        parts, size, outline_err, wound_mm2=wound_mm2, wound_border_err_mm2=border_err
    )
    clipped = np.asarray(cv2.inRange(rgb, (_GLARE_CODE,) * 3, (255,) * 3), np.bool_)
    if view.clipped is not None:
        clipped |= view.clipped[window]
    flags = _flags(mask, labels, label, clipped, view.valid[window], wound)
    flags |= outline_doubts(
        outline,
        labels,
        label,
        n_mouths=len(mouths.places_xy),
        n_wounds=len(wound.outlines_xy),
        at_edge="touches-edge" in flags,
    )
    if size.irregular:
        flags.add("irregular")
    if combined(part.change for part in parts if part.name in _FROM_CARD) > _CARD_FAR:
        flags.add("card-far")
    if view.photo_px_per_mm(centre) < COARSE_PX_PER_MM:
        flags.add("coarse")
    flags |= mouth_flags(len(mouths.places_xy), mouths.two_mouths_probability, normal_mouths)
    centre_px = view.to_photo(centre[None, :])[0]
    return Polyp(
        label=label,
        x_mm=float(centre[0]),
        y_mm=float(centre[1]),
        x_px=float(centre_px[0]),
        y_px=float(centre_px[1]),
        outline_px=view.to_photo(outline_mm),
        outline_mm=outline_mm,
        diameter_mm=size.diameter_mm,
        diameter_mm_err=size.diameter_mm_err,
        feret_max_mm=size.feret_max_mm,
        area_mm2=size.area_mm2,
        area_mm2_err=size.area_mm2_err,
        mouths=tuple(
            _mouth(view, place, score)
            for place, score in zip(mouths.places_xy, mouths.scores, strict=True)
        ),
        two_mouths_probability=mouths.two_mouths_probability,
        wound_mm2=wound_mm2,
        wound_mm2_err=combined(line.wound_mm2 for line in budget),
        wound_margin_mm=margin_mm,
        wound_outlines_px=tuple(
            view.to_photo(view.to_mm(part + corner)) for part in wound.outlines_xy
        ),
        colour_lab=(float(body[0]), float(body[1]), float(body[2])),
        score=polyp_map.scores[label - 1],
        flags=tuple(flags),
        budget=budget,
    )


def body_colour(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the CIELAB colour (3,) of a polyp's disc from its pixels (n, 3).

    It is the median of their darker, more coloured half: a fresh cut can be pale over a third of a
    small piece, which would drag a plain median. Of very many pixels only some are looked at.
    """
    some = rgb[:: len(rgb) // _COLOUR_PIXELS + 1]
    pixels = rgb2lab(some.astype(np.float32) / 255)
    depth = pixels[:, 0] - np.hypot(pixels[:, 1], pixels[:, 2])
    coloured = pixels[depth <= np.median(depth)]
    return np.asarray(np.median(coloured, axis=0), np.float64)


def _flags(
    mask: NDArray[np.bool_],
    labels: NDArray[np.int32],
    label: int,
    clipped: NDArray[np.bool_],
    valid: NDArray[np.bool_],
    wound: Wound,
) -> set[str]:
    flags: set[str] = set()
    if _touches_edge(mask, valid):
        flags.add("touches-edge")
    if _touches_neighbour(labels, label):
        flags.add("touching")
    if clipped.any() and clipped[_hull(mask) & ((labels == 0) | mask)].mean() > _GLARE_SHARE:
        flags.add("glare")
    if wound.area_px > 0:
        flags.add("wound")
    return flags
