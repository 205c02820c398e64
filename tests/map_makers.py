"""Perfect opinions of drawn discs, as the reader network would give them."""

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.photo import view_at_scale
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.segment.maps import PLATE_READER, PlateMaps, levels_of

Disc = tuple[float, float, float]
"""x, y and diameter in mm."""


def blank_view(width_mm: float, height_mm: float) -> PlateView:
    """An empty grey view."""
    shape = (round(height_mm * VIEW_PX_PER_MM), round(width_mm * VIEW_PX_PER_MM), 3)
    return view_at_scale(np.full(shape, 120, np.uint8), 1 / VIEW_PX_PER_MM)


def _bump(x: NDArray[np.float64], y: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    return np.asarray(np.exp(-(x**2 + y**2) / (2 * sigma**2)))


def perfect_maps(
    view: PlateView,
    discs: list[Disc],
    *,
    mouths: list[tuple[float, float]] | None = None,
    wounds: list[Disc] | None = None,
) -> PlateMaps:
    """Maps of discs; where two overlap, a pixel belongs to the relatively nearer middle.

    Without ``mouths`` every disc has one in its middle.
    """
    rows, columns = np.mgrid[: view.valid.shape[0], : view.valid.shape[1]] / view.px_per_mm
    tissue = np.zeros(view.valid.shape)
    centre, mouth, wound = tissue.copy(), tissue.copy(), tissue.copy()
    way = np.zeros((*view.valid.shape, 2))
    nearest = np.full(view.valid.shape, np.inf)
    for x, y, diameter in discs:
        share = np.hypot(columns - x, rows - y) / (diameter / 2)
        own = (share <= 1) & (share < nearest)
        nearest[own] = share[own]
        tissue[own] = 0.98
        way[own] = np.stack([x - columns, y - rows], -1)[own] * view.px_per_mm
        centre = np.maximum(centre, 0.9 * _bump(columns - x, rows - y, 0.1 * diameter))
    for x, y in mouths if mouths is not None else [(x, y) for x, y, _ in discs]:
        mouth = np.maximum(mouth, 0.95 * _bump(columns - x, rows - y, 0.7))
    for x, y, diameter in wounds or []:
        wound[np.hypot(columns - x, rows - y) <= diameter / 2] = 0.97
    return PlateMaps(
        tissue=tissue.astype(np.float32),
        wound=wound.astype(np.float32),
        mouth=mouth.astype(np.float32),
        centre=centre.astype(np.float32),
        to_centre_px=way.astype(np.float32),
        levels=levels_of(PLATE_READER),
    )
