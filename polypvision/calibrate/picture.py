"""A photo's pixels, whole or reduced: phones take more of them than a plate needs.

Places are always told in pixels of the whole photo, whatever is held of it.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.reading import Points

REDUCTIONS = (8, 4, 2, 1)
"""By what a photo's sides may be divided while it is decoded: a JPEG is made of blocks of 8 x 8
(ISO/IEC 10918-1, from memory)."""
_SURVEY_PX = 1900
"""Longer side in which a card that fills the picture reads as well as in the whole photo."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """Pixels of an upright photo, each in the place of ``reduction`` by ``reduction`` of its own.

    Attributes
    ----------
    rgb : ndarray (h, w, 3) of uint8
    reduction : int
    """

    rgb: NDArray[np.uint8]
    reduction: int = 1

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the whole photo."""
        height, width = self.rgb.shape[:2]
        return width * self.reduction, height * self.reduction

    @property
    def from_photo(self) -> NDArray[np.float64]:
        """Matrix (3, 3) from pixels of the whole photo to pixels of this picture."""
        factor = 1 / self.reduction
        shift = 0.5 * factor - 0.5
        return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]])

    def own_px(self, photo_px: Points) -> Points:
        """Return pixels (n, 2) of the whole photo as pixels of this picture."""
        return np.asarray((photo_px + 0.5) / self.reduction - 0.5, np.float64)

    def photo_px(self, own_px: Points) -> Points:
        """Return pixels (n, 2) of this picture as pixels of the whole photo."""
        return np.asarray((own_px + 0.5) * self.reduction - 0.5, np.float64)


class Photo:
    """A photo that is decoded only as finely as is needed; what was decoded last is kept.

    Parameters
    ----------
    size_px : tuple of 2 ints
        Width and height, upright.
    decode : callable
        Gives the picture for one of `REDUCTIONS`, or a finer one where there is none so reduced.
    """

    def __init__(self, size_px: tuple[int, int], decode: Callable[[int], Picture]) -> None:
        self.size_px = size_px
        self._decode = decode
        self._held: Picture | None = None

    def survey(self) -> Picture:
        """Return the picture in which the card is looked for first."""
        return self._reduced(max(self.size_px) / _SURVEY_PX)

    def at_scale(self, mm_per_px: float) -> Picture:
        """Return the coarsest picture that shows as much as a view does.

        Parameters
        ----------
        mm_per_px : float
            Of the whole photo.
        """
        return self._reduced(1 / (mm_per_px * VIEW_PX_PER_MM))

    def whole(self) -> Picture:
        """Return the picture with all its pixels."""
        return self._reduced(1)

    def _reduced(self, most: float) -> Picture:
        wanted = next((one for one in REDUCTIONS if one <= most), 1)
        if self._held is None or self._held.reduction > wanted:
            self._held = None  # Not both at once: a large photo fills the memory.
            self._held = self._decode(wanted)
        return self._held


def photo_of(rgb: NDArray[np.uint8]) -> Photo:
    """Return pixels (H, W, 3) that are all there as a photo."""
    return Photo((rgb.shape[1], rgb.shape[0]), lambda _: Picture(rgb=rgb))
