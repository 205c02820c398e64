"""What the reader network says of every pixel, and the running of it."""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.segment.levels import NEUTRAL, Levels, levels_from_json

CHANNELS = ("tissue", "wound", "mouth", "centre", "to_centre_x", "to_centre_y")


@dataclass(frozen=True, kw_only=True)
class Reader:
    """One trained network: ``NAME.onnx`` and its levels ``NAME.json`` in ``polypvision/models``."""

    name: str


# A view from a card is upright, at a sure scale and neutral; a photo without one may be anything.
PLATE_READER = Reader(name="plate")
CLOSEUP_READER = Reader(name="closeup")
OFFSET_UNIT_MM = 10.0
"""Unit of the network's way to the centre."""
_STRIDE_PX = 32
_TILE_PX = 2048
_OVERLAP_PX = 192


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateMaps:
    """The reader's opinion of a view, each (H, W) of float32.

    Attributes
    ----------
    tissue, wound, mouth, centre : ndarray
        Probability from 0 to 1: of being part of a polyp (wound included), of being exposed
        tissue, and how much of a mouth's or a polyp's middle it looks like.
    to_centre_px : ndarray (H, W, 2)
        Way x, y from each pixel to the middle of its polyp, view pixels.
    levels : Levels
        Of the network that gave this opinion.
    """

    tissue: NDArray[np.float32]
    wound: NDArray[np.float32]
    mouth: NDArray[np.float32]
    centre: NDArray[np.float32]
    to_centre_px: NDArray[np.float32]
    levels: Levels


def blank_maps(view: PlateView) -> PlateMaps:
    """Return maps that see nothing anywhere, for a reading that asks no network."""
    nothing = np.zeros(view.valid.shape, np.float32)
    return PlateMaps(
        tissue=nothing,
        wound=nothing,
        mouth=nothing,
        centre=nothing,
        to_centre_px=np.zeros((*view.valid.shape, 2), np.float32),
        levels=NEUTRAL,
    )


@cache
def _network(reader: Reader) -> cv2.dnn.Net:
    path = files("polypvision") / "models" / f"{reader.name}.onnx"
    return cv2.dnn.readNetFromONNX(np.frombuffer(path.read_bytes(), np.uint8))


@cache
def levels_of(reader: Reader) -> Levels:
    """Return the levels of a network."""
    path = files("polypvision") / "models" / f"{reader.name}.json"
    return levels_from_json(path.read_text(encoding="utf-8"))


def reader_of(view: PlateView) -> Reader:
    """Return which network reads a view."""
    return PLATE_READER if view.scale.source == "card" else CLOSEUP_READER


def _padded(size: int) -> int:
    return -(-size // _STRIDE_PX) * _STRIDE_PX


def _run(rgb: NDArray[np.uint8], reader: Reader) -> NDArray[np.float32]:
    """Return the network's six maps (6, H, W) of one tile."""
    height, width = rgb.shape[:2]
    bottom, right = _padded(height) - height, _padded(width) - width
    tile = cv2.copyMakeBorder(rgb, 0, bottom, 0, right, cv2.BORDER_REPLICATE)
    network = _network(reader)
    network.setInput(cv2.dnn.blobFromImage(tile, scalefactor=1 / 255.0))
    maps = np.asarray(network.forward(), np.float32)
    return np.asarray(maps[0, :, :height, :width], np.float32)


def _starts(size: int) -> list[int]:
    """Return where tiles of a long side begin, so that they overlap and cover it."""
    if size <= _TILE_PX:
        return [0]
    step = _TILE_PX - _OVERLAP_PX
    return [*range(0, size - _TILE_PX, step), size - _TILE_PX]


def _logits(rgb: NDArray[np.uint8], reader: Reader) -> NDArray[np.float32]:
    """Return the six maps (6, H, W) of a view; large views are read in tiles."""
    height, width = rgb.shape[:2]
    rows, columns = _starts(height), _starts(width)
    if len(rows) == len(columns) == 1:
        return _run(rgb, reader)
    whole = np.zeros((len(CHANNELS), height, width), np.float32)
    half = _OVERLAP_PX // 2
    for top in rows:
        for left in columns:
            tile = _run(rgb[top : top + _TILE_PX, left : left + _TILE_PX], reader)
            # The outer half of an overlap lacks surroundings: the neighbour tile knows better.
            skip_top, skip_left = half * (top > 0), half * (left > 0)
            whole[:, top + skip_top : top + _TILE_PX, left + skip_left : left + _TILE_PX] = tile[
                :, skip_top:, skip_left:
            ]
    return whole


def _probability(logits: NDArray[np.float32], even: float = 0.5) -> NDArray[np.float32]:
    """Return probabilities, moved so that the reader's even level becomes 0.5."""
    return np.asarray(1 / (1 + (even / (1 - even)) * np.exp(-logits)), np.float32)


def read_maps(view: PlateView, *, levels: Levels | None = None) -> PlateMaps:
    """Run the reader network on a view.

    Parameters
    ----------
    view : PlateView
    levels : Levels, optional
        Instead of the network's own, while these are being set.

    Returns
    -------
    PlateMaps
        Zero where the view is not valid.
    """
    if view.px_per_mm != VIEW_PX_PER_MM:
        raise ValueError(f"the reader was trained at {VIEW_PX_PER_MM} px/mm, not {view.px_per_mm}")
    reader = reader_of(view)
    levels = levels or levels_of(reader)
    maps = _logits(view.rgb, reader)
    valid = view.valid.astype(np.float32)
    tissue, wound, mouth, centre = (
        _probability(channel, even) * valid
        for channel, even in zip(maps[:4], (*levels.even, 0.5), strict=True)
    )
    return PlateMaps(
        tissue=tissue,
        wound=wound,
        mouth=mouth,
        centre=centre,
        to_centre_px=np.moveaxis(maps[4:], 0, -1) * np.float32(OFFSET_UNIT_MM * view.px_per_mm),
        levels=levels,
    )
