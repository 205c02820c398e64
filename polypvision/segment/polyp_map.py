"""What segmentation hands on: labels, and how sure each is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects


@dataclass(frozen=True, kw_only=True, eq=False)
class PolypMap:
    """Polyps of one PlateView.

    Attributes
    ----------
    labels : ndarray (H, W) of int32
        0 is ground; polyps are 1 to n without gaps, by row then column of their first pixel.
    scores : tuple of float
        How sure each is a polyp, 0 to 1, in the order of the labels.
    """

    labels: NDArray[np.int32]
    scores: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.labels.dtype != np.int32 or self.labels.ndim != 2:
            raise ValueError(f"labels must be (H, W) int32, got {self.labels.dtype}")
        if int(self.labels.max(initial=0)) != len(self.scores):
            raise ValueError("one score for each label is needed")

    @property
    def n_polyps(self) -> int:
        """Number of polyps."""
        return len(self.scores)


@dataclass(frozen=True, kw_only=True)
class Window:
    """A rectangle of rows and columns round one polyp, with a margin, inside the view."""

    row: slice
    column: slice

    @property
    def slices(self) -> tuple[slice, slice]:
        """For indexing an (H, W, ...) array."""
        return self.row, self.column


def polyp_windows(labels: NDArray[np.int32], *, margin_px: int = 0) -> list[Window]:
    """Return the window of every label, in order.

    Parameters
    ----------
    labels : ndarray (H, W) of int32
        Labels 1 to n without gaps.
    margin_px : int
        Added on each side, cut off at the view's edge.
    """
    height, width = labels.shape
    return [
        Window(
            row=slice(max(0, rows.start - margin_px), min(height, rows.stop + margin_px)),
            column=slice(max(0, columns.start - margin_px), min(width, columns.stop + margin_px)),
        )
        for rows, columns in find_objects(labels)
    ]
