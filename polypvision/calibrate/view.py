"""The plate as every later stage sees it: upright, at a fixed scale, neutral in colour."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.flags import check_flags
from polypvision.reading import Points, Scale

VIEW_PX_PER_MM = 6.0
"""Pixels per mm of every PlateView. A mouth of 1 mm needs 5 px (sampling, Nyquist with margin)."""


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
        Homography from plate coordinates (mm) to pixels of the upright photo.
    plate_to_photo_cov : ndarray (8, 8) of float64
        Covariance of its first eight elements, row by row, the ninth being 1; NaN when unknown.
    scale : Scale
    plate : str or None
        Plate code as printed, four digits; None without a card.
    flags : tuple of str
    """

    rgb: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    px_per_mm: float
    origin_mm: tuple[float, float]
    plate_to_photo: NDArray[np.float64]
    plate_to_photo_cov: NDArray[np.float64]
    scale: Scale
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
        return apply_homography(self.plate_to_photo, points_mm)


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
