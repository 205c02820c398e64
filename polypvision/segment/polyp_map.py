"""What segmentation hands on: labels, and how sure each is."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.segment.runs import label_boxes
from polypvision.segment.windows import Window, widened


@dataclass(frozen=True, kw_only=True, eq=False)
class PolypMap:
    """Polyps of one PlateView.

    Attributes
    ----------
    labels : ndarray (H, W) of int32
        0 is ground; polyps are 1 to n without gaps, by row then column of their first pixel.
    scores : tuple of float
        How sure each is a polyp, 0 to 1, in the order of the labels.
    boxes : sequence of Window
        The smallest window of each, in that order; looked for where it is not given.
    cut_off : int
        Polyps at the view's edge that are none of them: their middles were not seen.
    """

    labels: NDArray[np.int32]
    scores: tuple[float, ...]
    boxes: Sequence[Window] = ()
    cut_off: int = 0

    def __post_init__(self) -> None:
        if self.labels.dtype != np.int32 or self.labels.ndim != 2:
            raise ValueError(f"labels must be (H, W) int32, got {self.labels.dtype}")
        if int(self.labels.max(initial=0)) != len(self.scores):
            raise ValueError("one score for each label is needed")
        if len(self.boxes) != len(self.scores):
            object.__setattr__(self, "boxes", label_boxes(self.labels))

    @property
    def n_polyps(self) -> int:
        """Number of polyps."""
        return len(self.scores)

    def windows(self, *, margin_px: int) -> list[Window]:
        """Return the window of every polyp with a margin, cut off at the view's edge."""
        return [widened(box, margin_px, self.labels.shape) for box in self.boxes]
