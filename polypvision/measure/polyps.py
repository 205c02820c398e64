"""Every polyp's size, wound and colour, in mm, each with its standard uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass

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
from polypvision.measure.sizes import OutlineSize, mouth_flags, outline_size
from polypvision.measure.wounds import Wound, find_wound
from polypvision.mouths.find import PolypMouths
from polypvision.reading import Mouth, Points, Polyp
from polypvision.segment.maps import PlateMaps
from polypvision.segment.medians import median
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
    # Each step is done for all polyps before the next one: code that has just run runs faster than
    # code that all the other steps have driven out of the processor's cache.
    discs = [
        _disc(view, polyp_map, label, window)
        for label, window in enumerate(polyp_map.windows(margin_px=6), start=1)
    ]
    sizes = [_sized(view, maps, disc) for disc in discs]
    wounds = [_wounded(view, maps, disc) for disc in discs]
    colours = [body_colour(view.rgb[disc.window], disc.mask) for disc in discs]
    flags = [
        _flags(view, disc, size, wound.wound, len(seen.scores))
        | mouth_flags(len(seen.scores), seen.two_mouths_probability, normal_mouths)
        for disc, size, wound, seen in zip(discs, sizes, wounds, mouths, strict=True)
    ]
    return tuple(
        _polyp(view, *known)
        for known in zip(
            discs, polyp_map.scores, sizes, wounds, mouths, colours, flags, strict=True
        )
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Disc:
    """A polyp in its window: its mask, all labels there, its outline there and on the plate."""

    label: int
    window: Window
    labels: NDArray[np.int32]
    mask: NDArray[np.bool_]
    outline_xy: Points
    outline_mm: Points
    centre_mm: Points


def _disc(view: PlateView, polyp_map: PolypMap, label: int, window: Window) -> _Disc:
    labels = polyp_map.labels[window]
    mask = labels == label
    outline = mask_outline(mask)
    outline_mm = view.to_mm(outline + corner_xy(window))
    return _Disc(
        label=label,
        window=window,
        labels=labels,
        mask=mask,
        outline_xy=outline,
        outline_mm=outline_mm,
        centre_mm=polygon_centroid(outline_mm),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sized:
    """A polyp's size, and what it is uncertain by."""

    size: OutlineSize
    parts: list[ScalePart]
    outline_err_mm: float


def _sized(view: PlateView, maps: PlateMaps, disc: _Disc) -> _Sized:
    parts = _scale_parts(view, disc.centre_mm)
    length_mm = perimeter(disc.outline_mm)
    band = band_width_mm(maps.tissue[disc.window], disc.mask, view.px_per_mm, length_mm)
    outline_err = outline_err_mm(band, view.edge_width_mm)
    relative = combined(part.change for part in parts)
    return _Sized(
        size=outline_size(disc.outline_mm, relative, outline_err),
        parts=parts,
        outline_err_mm=outline_err,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wounded:
    """A polyp's wound, and what its border leaves uncertain."""

    wound: Wound
    border_err_mm2: float


def _wounded(view: PlateView, maps: PlateMaps, disc: _Disc) -> _Wounded:
    exposed = maps.wound[disc.window]
    return _Wounded(
        wound=find_wound(exposed, disc.mask, view.px_per_mm),
        border_err_mm2=wound_border_err_mm2(exposed, disc.mask, view.px_per_mm),
    )


def _polyp(
    view: PlateView,
    disc: _Disc,
    score: float,
    sized: _Sized,
    wounded: _Wounded,
    mouths: PolypMouths,
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
    centre_px = view.to_photo(disc.centre_mm[None, :])[0]
    return Polyp(
        label=disc.label,
        x_mm=float(disc.centre_mm[0]),
        y_mm=float(disc.centre_mm[1]),
        x_px=float(centre_px[0]),
        y_px=float(centre_px[1]),
        outline_px=view.to_photo(disc.outline_mm),
        outline_mm=disc.outline_mm,
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
        wound_margin_mm=wound.margin_px / view.px_per_mm,
        wound_outlines_px=tuple(
            view.to_photo(view.to_mm(part + corner_xy(disc.window))) for part in wound.outlines_xy
        ),
        colour_lab=colour_lab,
        score=score,
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
    lightness, a, b = (one[0] for one in cv2.split(cv2.cvtColor(linear, cv2.COLOR_LRGB2Lab)))
    depth = lightness - np.sqrt(a * a + b * b)
    coloured = depth <= median(depth)
    return median(lightness[coloured]), median(a[coloured]), median(b[coloured])


def _flags(view: PlateView, disc: _Disc, sized: _Sized, wound: Wound, n_mouths: int) -> set[str]:
    flags: set[str] = set()
    mask, window = disc.mask, disc.window
    reach = cv2.dilate(mask.view(np.uint8), _CROSS).view(np.bool_)
    # The windows carry a margin, except where the view ends.
    on_border = mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any()
    if on_border or (reach > view.valid[window]).any():
        flags.add("touches-edge")
    other = (disc.labels != 0) & ~mask
    if (reach & other).any():
        flags.add("touching")
    clipped = np.asarray(cv2.inRange(view.rgb[window], (_GLARE_CODE,) * 3, (255,) * 3), np.bool_)
    if view.clipped is not None:
        clipped |= view.clipped[window]
    if clipped.any() and clipped[_hull(mask) & ~other].mean() > _GLARE_SHARE:
        flags.add("glare")
    if wound.area_px > 0:
        flags.add("wound")
    flags |= outline_doubts(
        disc.outline_xy,
        disc.labels,
        disc.label,
        n_mouths=n_mouths,
        n_wounds=len(wound.outlines_xy),
        at_edge="touches-edge" in flags,
    )
    if sized.size.irregular:
        flags.add("irregular")
    if combined(part.change for part in sized.parts if part.name in _FROM_CARD) > _CARD_FAR:
        flags.add("card-far")
    if view.photo_px_per_mm(disc.centre_mm) < COARSE_PX_PER_MM:
        flags.add("coarse")
    return flags
