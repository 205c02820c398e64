"""Every polyp's size, wound and colour, in mm, each with its standard uncertainty."""

from collections.abc import Sequence

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
from polypvision.measure.shape import mask_outline, perimeter, polygon_centroid
from polypvision.measure.sizes import mouth_flags, outline_size
from polypvision.measure.wounds import Wound, find_wound
from polypvision.mouths.find import PolypMouths
from polypvision.reading import Mouth, Points, Polyp
from polypvision.segment.maps import PlateMaps
from polypvision.segment.polyp_map import PolypMap
from polypvision.segment.windows import Window, corner_xy, hull_xy

_GLARE_CODE = 250
_GLARE_SHARE = 0.04
_COLOUR_PIXELS = 10_000
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
    windows = polyp_map.windows(margin_px=6)
    return tuple(
        _measure(view, maps, polyp_map, label, window, seen, normal_mouths)
        for label, (window, seen) in enumerate(zip(windows, mouths, strict=True), start=1)
    )


def _measure(
    view: PlateView,
    maps: PlateMaps,
    polyp_map: PolypMap,
    label: int,
    window: Window,
    mouths: PolypMouths,
    normal_mouths: int,
) -> Polyp:
    labels = polyp_map.labels[window]
    mask = labels == label
    rgb = view.rgb[window]
    corner = corner_xy(window)
    outline = mask_outline(mask)
    outline_mm = view.to_mm(outline + corner)
    centre = polygon_centroid(outline_mm)
    parts = _scale_parts(view, centre)
    relative = combined(part.change for part in parts)
    band = band_width_mm(maps.tissue[window], mask, view.px_per_mm, perimeter(outline_mm))
    outline_err = outline_err_mm(band, view.edge_width_mm)
    size = outline_size(outline_mm, relative, outline_err)

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
    flags = _flags(mask, labels, clipped, view.valid[window], wound)
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
        colour_lab=body_colour(rgb, mask),
        score=polyp_map.scores[label - 1],
        flags=tuple(flags),
        budget=budget,
    )


def body_colour(rgb: NDArray[np.uint8], mask: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the CIELAB colour of a polyp's disc: its mask (h, w) in its window (h, w, 3).

    It is the median of its pixels' darker, more coloured half: a fresh cut can be pale over a third
    of a small piece, which would drag a plain median. Of very many pixels only some are looked at.
    """
    inside = np.flatnonzero(mask)
    some = inside[:: len(inside) // _COLOUR_PIXELS + 1]
    linear = cv2.LUT(rgb.reshape(-1, 3).take(some, axis=0)[None], LINEAR_OF_CODE)
    lightness, a, b = cv2.split(cv2.cvtColor(linear, cv2.COLOR_LRGB2Lab))
    depth = lightness - cv2.magnitude(a, b)
    coloured = depth <= np.median(depth)
    return (
        float(np.median(lightness[coloured])),
        float(np.median(a[coloured])),
        float(np.median(b[coloured])),
    )


def _flags(
    mask: NDArray[np.bool_],
    labels: NDArray[np.int32],
    clipped: NDArray[np.bool_],
    valid: NDArray[np.bool_],
    wound: Wound,
) -> set[str]:
    flags: set[str] = set()
    reach = cv2.dilate(mask.view(np.uint8), _CROSS).view(np.bool_)
    # The windows carry a margin, except where the view ends.
    on_border = mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()
    if on_border or (reach > valid).any():
        flags.add("touches-edge")
    other = (labels != 0) & ~mask
    if (reach & other).any():
        flags.add("touching")
    if clipped.any() and clipped[_hull(mask) & ~other].mean() > _GLARE_SHARE:
        flags.add("glare")
    if wound.area_px > 0:
        flags.add("wound")
    return flags
