"""Where the wounds of polyps that were read already lie in the photo, for drawing."""

from collections.abc import Iterable

import cv2
import numpy as np
from skimage.color import rgb2lab
from skimage.measure import label as label_regions

from polypvision.calibrate.view import PlateView
from polypvision.measure.polyps import body_colour
from polypvision.measure.shape import mask_outline
from polypvision.measure.wounds import find_wound
from polypvision.reading import Points, Polyp

_MARGIN_PX = 6


def wound_outlines(view: PlateView, polyps: Iterable[Polyp]) -> dict[int, tuple[Points, ...]]:
    """Return the outlines of each wounded polyp's wounds, by the polyp's label.

    Parameters
    ----------
    view : PlateView
        Of the photo that the polyps were read from, with the same settings.
    polyps : iterable of Polyp

    Returns
    -------
    dict of int to tuple of ndarray (n, 2)
        Pixels of the upright photo; polyps without a wound are left out.
    """
    found: dict[int, tuple[Points, ...]] = {}
    for polyp in polyps:
        if polyp.wound_mm2 > 0:
            outlines = _of_one(view, view.from_mm(polyp.outline_mm))
            if outlines:
                found[polyp.label] = outlines
    return found


def _of_one(view: PlateView, outline_xy: Points) -> tuple[Points, ...]:
    height, width = view.valid.shape
    low = np.maximum(np.floor(outline_xy.min(axis=0)).astype(int) - _MARGIN_PX, 0)
    high = np.ceil(outline_xy.max(axis=0)).astype(int) + _MARGIN_PX
    left, top = int(low[0]), int(low[1])
    right, bottom = min(int(high[0]), width), min(int(high[1]), height)
    if left >= right or top >= bottom:
        return ()
    drawn = np.zeros((bottom - top, right - left), np.uint8)
    corners = np.round(outline_xy - np.array([left, top])).astype(np.int32)
    cv2.fillPoly(drawn, [corners], 1)
    mask = drawn.astype(np.bool_)
    if not mask.any():
        return ()
    lab = np.asarray(rgb2lab(view.rgb[top:bottom, left:right]), np.float32)
    wound = find_wound(lab, mask, body_colour(lab, mask), view.px_per_mm)
    regions = np.asarray(label_regions(wound.mask, connectivity=2))
    corner = np.array([left, top], dtype=np.float64)
    return tuple(
        view.to_photo(view.to_mm(mask_outline(regions == index) + corner))
        for index in range(1, int(regions.max(initial=0)) + 1)
    )
