"""The plate as every later stage sees it: upright, at a fixed scale, neutral in colour."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.sight import to_photo as sight_to_photo
from polypvision.flags import check_flags
from polypvision.reading import Points, Scale, Sight

VIEW_PX_PER_MM = 6.0
"""Pixels per mm of every PlateView. A mouth of 1 mm needs 5 px (sampling, Nyquist with margin)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ScaleInput:
    """One thing on which the scale rests, and what its uncertainty does.

    Attributes
    ----------
    name : str
        'print-scale', 'markers', 'focal-length', 'lens', 'disc-height', 'water-depth', 'pane' or
        'water-index'.
    u : float
        Its standard uncertainty.
    unit : str
        Of ``u``; '%' of its value.
    change : ndarray (rows, columns) of float64
        By which part of it a length grows when the thing grows by ``u``, at places spread evenly
        over the view, the outermost on its edges.
    """

    name: str
    u: float
    unit: str
    change: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateView:
    """A photo resampled into the plane of the plate.

    Attributes
    ----------
    rgb : ndarray (H, W, 3) of uint8
        sRGB, balanced so that the card's patches are neutral.
    valid : ndarray (H, W) of bool
        Where the plate was seen: inside the photo and the frame's window, and not on a card.
    px_per_mm : float
    origin_mm : tuple of 2 floats
        Plate coordinates of the centre of pixel (row 0, column 0).
    plate_to_photo : ndarray (3, 3) of float64
        Homography from plate coordinates (mm) to pixels of the upright photo; where there is a
        ``sight``, the nearest one.
    scale : Scale
    sight : Sight or None
        How the discs' plane is seen, where a homography does not say it all.
    scale_inputs : tuple of ScaleInput
        What the scale rests on; empty if no more is known than the scale's own uncertainty.
    edge_width_mm : float
        10-90 % width of the card's edges, on the plate; NaN without a card.
    clipped : ndarray (H, W) of bool or None
        Where the photo is pure white: reflections, or too much light. None where not known.
    plate : str or None
        Plate code as printed, four digits; None without a card.
    flags : tuple of str
    """

    rgb: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    px_per_mm: float
    origin_mm: tuple[float, float]
    plate_to_photo: NDArray[np.float64]
    scale: Scale
    sight: Sight | None = None
    scale_inputs: tuple[ScaleInput, ...] = ()
    edge_width_mm: float = float("nan")
    clipped: NDArray[np.bool_] | None = None
    plate: str | None = None
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype != np.uint8:
            raise ValueError(f"rgb must be (H, W, 3) uint8, got {self.rgb.shape} {self.rgb.dtype}")
        if self.valid.shape != self.rgb.shape[:2]:
            raise ValueError("valid must have the height and width of rgb")
        object.__setattr__(self, "flags", check_flags(self.flags))

    def to_mm(self, points_xy: Points) -> Points:
        """Return view pixels (n, 2) as plate coordinates in mm (n, 2)."""
        moved: Points = np.asarray(points_xy, dtype=np.float64) / self.px_per_mm + self.origin_mm
        return moved

    def from_mm(self, points_mm: Points) -> Points:
        """Return plate coordinates in mm (n, 2) as view pixels (n, 2)."""
        moved: Points = (np.asarray(points_mm, np.float64) - self.origin_mm) * self.px_per_mm
        return moved

    def to_photo(self, points_mm: Points) -> Points:
        """Return plate coordinates in mm (n, 2) as pixels of the upright photo (n, 2)."""
        if self.sight is not None:
            return sight_to_photo(self.sight, points_mm, self.sight.disc_height_mm)
        return apply_homography(self.plate_to_photo, points_mm)

    def photo_px_per_mm(self, places_mm: Points) -> NDArray[np.float64]:
        """Return how many pixels of the photo show a millimetre at places (n, 2) of the plate."""
        steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        near = self.to_photo((places_mm[:, None] + steps).reshape(-1, 2)).reshape(-1, 3, 2)
        (ax, ay), (bx, by) = np.moveaxis(near[:, 1:] - near[:, :1], 0, -1)
        return np.asarray(np.sqrt(np.abs(ax * by - ay * bx)), np.float64)

    def scale_changes(self, places_mm: Points) -> NDArray[np.float64]:
        """Return each scale input's change (n, k) at places (n, 2), in the inputs' order."""
        height, width = self.valid.shape
        last = np.maximum([width - 1, height - 1], 1)
        parts = self.from_mm(places_mm) / last
        return _between(np.stack([one.change for one in self.scale_inputs]), parts[:, ::-1])


def _between(grids: NDArray[np.float64], parts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values (n, k) of k grids at parts (n, 2) of their height and width, bilinear."""
    last = np.array(grids.shape[1:]) - 1
    places = np.clip(parts, 0.0, 1.0) * last
    first = np.minimum(places.astype(int), last - 1)
    (r, c), (down, right) = first.T, (places - first).T
    upper = grids[:, r, c] * (1 - right) + grids[:, r, c + 1] * right
    lower = grids[:, r + 1, c] * (1 - right) + grids[:, r + 1, c + 1] * right
    return np.asarray((upper * (1 - down) + lower * down).T, np.float64)


def apply_homography(homography: NDArray[np.float64], points_xy: Points) -> Points:
    """Return points (n, 2) moved by a homography (3, 3).

    Examples
    --------
    >>> apply_homography(np.diag([2.0, 2.0, 1.0]), np.array([[1.0, 3.0]]))
    array([[2., 6.]])
    """
    points = np.asarray(points_xy, dtype=np.float64).reshape(-1, 2)
    moved = np.column_stack([points, np.ones(len(points))]) @ homography.T
    result: Points = moved[:, :2] / moved[:, 2:]
    return result
