"""The board for calibrating a lens: a chessboard with markers in its white squares (ChArUco).

Its marker numbers are those that no card uses, so a board is never taken for a card, nor a card for
part of the board.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.card.code import FIRST_FREE_MARKER
from polypvision.card.dictionary import DICTIONARY
from polypvision.card.layout import A4_MM, Box


@dataclass(frozen=True, kw_only=True)
class BoardLayout:
    """Geometry of the board's sheet, in mm, as printed.

    Attributes
    ----------
    size_mm : tuple of 2 floats
        Width and height of the sheet.
    columns, rows : int
        Squares.
    square_mm, marker_mm : float
        Sides.
    first : tuple of 2 floats
        Top left corner of the chessboard on the sheet.
    """

    size_mm: tuple[float, float] = A4_MM
    columns: int = 7
    rows: int = 9
    square_mm: float = 26.0
    marker_mm: float = 18.0
    first: tuple[float, float] = (14.0, 20.0)

    def _square(self, column: int, row: int, inset: float = 0.0) -> Box:
        side = self.square_mm
        x, y = self.first[0] + column * side, self.first[1] + row * side
        return Box(x=x, y=y, width=side, height=side).inset(inset)

    @property
    def black(self) -> tuple[Box, ...]:
        """Black squares; the top left one is black."""
        return tuple(
            self._square(column, row)
            for row in range(self.rows)
            for column in range(self.columns)
            if (row + column) % 2 == 0
        )

    @property
    def markers(self) -> tuple[tuple[Box, int], ...]:
        """Each white square's marker: outer edge of its black border, and its number."""
        inset = (self.square_mm - self.marker_mm) / 2
        boxes = [
            self._square(column, row, inset)
            for row in range(self.rows)
            for column in range(self.columns)
            if (row + column) % 2 == 1
        ]
        return tuple((box, FIRST_FREE_MARKER + n) for n, box in enumerate(boxes))

    @property
    def n_corners(self) -> int:
        """Inner corners of the chessboard."""
        return (self.columns - 1) * (self.rows - 1)

    @property
    def text(self) -> Box:
        """Where the hints are printed."""
        y = self.first[1] + self.rows * self.square_mm + 6.0
        return Box(x=self.first[0], y=y, width=self.columns * self.square_mm, height=20.0)


BOARD = BoardLayout()


@cache
def charuco_board() -> Any:
    """Return the board as OpenCV knows boards; its own mm start at the chessboard's corner."""
    ids = np.array([number for _, number in BOARD.markers], dtype=np.int32)
    return cv2.aruco.CharucoBoard(
        (BOARD.columns, BOARD.rows), BOARD.square_mm, BOARD.marker_mm, DICTIONARY, ids
    )


def board_corners_mm() -> NDArray[np.float64]:
    """Return the places of the chessboard's inner corners (n, 3), in the board's own mm."""
    return np.asarray(charuco_board().getChessboardCorners(), np.float64)
