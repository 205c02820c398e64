"""What the reader network says of every pixel, and the running of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, partial
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.beside import beside
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.segment.codes import code_pixels, code_planes, code_values
from polypvision.segment.levels import Levels, levels_from_json, neutral_levels

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

CHANNELS = ("tissue", "wound", "mouth", "centre", "to_centre_x", "to_centre_y")
_MOUTH = CHANNELS.index("mouth")


@dataclass(frozen=True, kw_only=True)
class Reader:
    """One trained network: ``NAME.onnx`` and its levels ``NAME.json`` in ``polypvision/models``.

    It takes one or two ``looks``: a near one, then a wide one, where lobes of a large disc are seen
    together. Each is the mean of what is said of the view shown at some sizes, so many times as
    large; with ``mirrored`` of its mirror images, too: what a network is not sure of it says of one
    and not of the other. Mouths of the near look are the mean over ``mouth_sizes``, too: a second
    mouth that only one size of the view shows is not one to count.
    """

    name: str
    looks: tuple[tuple[float, ...], ...] = ((1.0,),)
    mouth_sizes: tuple[float, ...] = ()
    mirrored: bool = False


# A view from a card is upright, at a sure scale and neutral; a photo without one may be anything.
PLATE_READER = Reader(name="plate")
CLOSEUP_READER = Reader(
    name="closeup", looks=((1.35, 1.0), (0.5,)), mouth_sizes=(0.75,), mirrored=True
)
NORMAL_MEAN, NORMAL_UNIT = 127.0, 128.0
"""The backbone was taught on pixel values less 127, in units of 128."""
OFFSET_UNIT_MM = 10.0
"""Unit of the network's way to the centre."""
STRIDE_PX = 32
"""Sides that networks take are multiples of it."""
_MIRRORS = ((1, -1), (-1, 1), (-1, -1))
"""Steps down and along by which a view's mirror images are read."""
_MOST_TILE_PX = 660_000
"""Largest tile: bounds the memory, some 250 bytes a pixel in floats. The view of an A5 frame is one
tile."""
_MOST_CODED_TILE_PX = 1_500_000
"""In whole numbers, some 70 bytes a pixel. The view of an A4 frame is one tile."""
_VNNI = ("AVX512VNNI", "AVX_VNNI")
_MOST_FEATURES = 64
"""OpenCV knows fewer features of processors."""
_STRIP_PX = 64
_OVERLAP_PX = 192
"""A multiple of twice the stride."""

Maps = NDArray[np.float32] | NDArray[np.uint8]
"""What a network says (6, H, W): logits and ways in floats, or their codes."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """What one look at a view tells of its polyps, each (H, W) of float32.

    Attributes
    ----------
    tissue, centre : ndarray
        As of `PlateMaps`.
    to_centre_px : ndarray (H, W, 2)
    """

    tissue: NDArray[np.float32]
    centre: NDArray[np.float32]
    to_centre_px: NDArray[np.float32]

    @cached_property
    def votes_xy(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Where each pixel says that its polyp's middle is: x and y (H, W), view pixels."""
        height, width = self.centre.shape
        x = self.to_centre_px[..., 0] + np.arange(width, dtype=np.float32)
        y = self.to_centre_px[..., 1] + np.arange(height, dtype=np.float32)[:, None]
        return np.ascontiguousarray(x), np.ascontiguousarray(y)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateMaps(Look):
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
    other : Look or None
        What the same network says in its other look, at the view's size.
    """

    wound: NDArray[np.float32]
    mouth: NDArray[np.float32]
    levels: Levels
    other: Look | None = None

    @property
    def looks(self) -> tuple[Look, ...]:
        """The look itself, then the other one if there is one."""
        return (self,) if self.other is None else (self, self.other)

    @property
    def each_first(self) -> tuple["PlateMaps", ...]:
        """These maps, then such in which the other look comes first: it tells polyps apart too."""
        if self.other is None:
            return (self,)
        turned = PlateMaps(
            tissue=self.other.tissue,
            centre=self.other.centre,
            to_centre_px=self.other.to_centre_px,
            wound=self.wound,
            mouth=self.mouth,
            levels=replace(self.levels, looks=self.levels.looks[::-1]),
            other=self,
        )
        return self, turned


def blank_maps(view: PlateView) -> PlateMaps:
    """Return maps that see nothing anywhere, for a reading that asks no network."""
    nothing = np.zeros(view.valid.shape, np.float32)
    return PlateMaps(
        tissue=nothing,
        wound=nothing,
        mouth=nothing,
        centre=nothing,
        to_centre_px=np.zeros((*view.valid.shape, 2), np.float32),
        levels=neutral_levels(looks=1),
    )


def _adds_in_32_bits() -> bool:
    """Return whether the processor adds products of 8-bit numbers in 32 bits.

    Those of Intel and AMD that lack these instructions add pairs of them in 16 bits, which overflow
    (Intel, Architectures Software Developer's Manual, VPDPBUSD and VPMADDUBSW, from memory).
    """
    return any(
        cv2.checkHardwareSupport(number)
        for number in range(_MOST_FEATURES)
        if cv2.getHardwareFeatureName(number) in _VNNI
    )


@cache
def _network(reader: Reader) -> "InferenceSession":
    # Loaded here: an import of this module alone, to hold maps or levels, stays cheap.
    from onnxruntime import InferenceSession, SessionOptions

    options = SessionOptions()
    options.intra_op_num_threads = max(cv2.getNumThreads(), 1)
    # Waiting threads that spin would take the cores from whatever else the machine does.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    if not _adds_in_32_bits():
        # Slower, but no sum overflows.
        options.add_session_config_entry("session.x64quantprecision", "1")
    # A plan of the memory is kept for every shape ever seen; without, buffers are shared by all.
    options.enable_mem_pattern = False
    # From its file, not from its bytes, which would be held twice.
    with as_file(files("polypvision") / "models" / f"{reader.name}.onnx") as path:
        return InferenceSession(path, options, providers=["CPUExecutionProvider"])


@cache
def levels_of(reader: Reader) -> Levels:
    """Return the levels of a network."""
    path = files("polypvision") / "models" / f"{reader.name}.json"
    return levels_from_json(path.read_text(encoding="utf-8"))


def reader_of(view: PlateView) -> Reader:
    """Return which network reads a view."""
    return PLATE_READER if view.scale.source == "card" else CLOSEUP_READER


def network_pixels(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return pixels (H, W, 3) as a network takes them: (1, 3, H, W), normalised."""
    blob = cv2.dnn.blobFromImage(rgb, scalefactor=1 / NORMAL_UNIT, mean=(NORMAL_MEAN,) * 3)
    return np.asarray(blob, np.float32)


def _in_codes(reader: Reader) -> bool:
    """Return whether a network takes and says whole numbers."""
    (taken,) = _network(reader).get_inputs()
    return bool(taken.type == "tensor(uint8)")


def _run(rgb: NDArray[np.uint8], reader: Reader) -> Maps:
    """Return the network's six maps (6, H, W) of one tile, its sides multiples of the stride."""
    pixels = code_pixels(rgb) if _in_codes(reader) else network_pixels(rgb)
    network = _network(reader)
    (said,) = network.run(None, {network.get_inputs()[0].name: pixels})
    return code_planes(said[0]) if _in_codes(reader) else np.asarray(said[0], np.float32)


def _cut(size: int, n: int) -> tuple[int, list[tuple[int, int, int]]]:
    """Cut a side into n equal tiles that overlap; all are multiples of the stride.

    Returns
    -------
    tile : int
        Length of a tile.
    parts : list of tuple
        Start of each tile, and from where to where it is believed: the outer half of an overlap
        lacks surroundings, and the neighbour tile knows better.
    """
    steps = -(-size // STRIDE_PX)
    overlap = _OVERLAP_PX // STRIDE_PX
    tile = -(-(steps + (n - 1) * overlap) // n)
    starts = [round(i * (steps - tile) / max(n - 1, 1)) * STRIDE_PX for i in range(n)]
    ends = [start + tile * STRIDE_PX for start in starts]
    seams = [(end + start) // 2 for end, start in zip(ends[:-1], starts[1:], strict=True)]
    parts = zip(starts, [0, *seams], [*seams, size], strict=True)
    return tile * STRIDE_PX, list(parts)


def _tiling(height: int, width: int, most_px: int) -> tuple[int, int]:
    """Return in how many rows and columns of tiles a view is read with the least work."""
    found = []
    for rows in range(1, 2 + height // _OVERLAP_PX):
        for columns in range(1, 2 + width // _OVERLAP_PX):
            area = _cut(height, rows)[0] * _cut(width, columns)[0]
            if area <= most_px:
                found.append((area * rows * columns, rows * columns, rows, columns))
                break  # more columns are more work
    return min(found)[2:]


def _maps(rgb: NDArray[np.uint8], reader: Reader) -> Maps:
    """Return the six maps (6, H, W) of a view; large views are read in tiles of one size."""
    height, width = rgb.shape[:2]
    most_px = _MOST_CODED_TILE_PX if _in_codes(reader) else _MOST_TILE_PX
    n_rows, n_columns = _tiling(height, width, most_px)
    (tile_h, rows), (tile_w, columns) = _cut(height, n_rows), _cut(width, n_columns)
    bottom, right = rows[-1][0] + tile_h - height, columns[-1][0] + tile_w - width
    padded = np.asarray(
        cv2.copyMakeBorder(rgb, 0, bottom, 0, right, cv2.BORDER_REPLICATE), np.uint8
    )
    if n_rows == n_columns == 1:
        return _run(padded, reader)[:, :height, :width]
    size = len(CHANNELS), height, width
    whole: Maps = np.empty(size, np.uint8) if _in_codes(reader) else np.empty(size, np.float32)
    for top, first_row, end_row in rows:
        for left, first, end in columns:
            tile = _run(padded[top : top + tile_h, left : left + tile_w], reader)
            whole[:, first_row:end_row, first:end] = tile[
                :, first_row - top : end_row - top, first - left : end - left
            ]
    return whole


def _maps_of_all(rgb: NDArray[np.uint8], reader: Reader) -> Maps:
    """Return the maps of a view; of a mirrored reader the mean over the view's mirror images."""
    said = _maps(rgb, reader)
    if not reader.mirrored:
        return said
    for down, along in _MIRRORS:
        mirror = np.ascontiguousarray(rgb[::down, ::along])
        ways = np.array([1, 1, 1, 1, along, down], np.float32)  # x and y to the centre turn, too
        said += _maps(mirror, reader)[:, ::down, ::along] * ways[:, None, None]
    said *= np.float32(1 / (1 + len(_MIRRORS)))
    return said


def _told(
    rgb: NDArray[np.uint8], reader: Reader, meanings: Sequence[Callable[..., object]]
) -> NDArray[np.float32]:
    """Return what each of the network's maps means at each pixel of a view, (6, H, W).

    Of codes, a meaning is worked out once for each of the 256 that there are.
    """
    maps = _maps_of_all(rgb, reader)
    # All in one: many pieces of memory cost more to get than to fill.
    told = np.empty(maps.shape, np.float32)

    def tell(channels: range) -> None:
        for channel in channels:
            if maps.dtype == np.uint8:
                table = code_values(channel)
                meanings[channel](table, out=table)
                cv2.LUT(maps[channel], table, told[channel])
            else:
                meanings[channel](maps[channel], out=told[channel])

    other_half = beside(lambda: tell(range(1, len(maps), 2)))
    tell(range(0, len(maps), 2))
    other_half()
    return told


def _probability(logits: NDArray[np.float32], even: float, *, out: NDArray[np.float32]) -> None:
    """Write into ``out`` the probabilities of logits, the even level becoming 0.5."""
    even_logit = np.float32(np.log(even / (1 - even)))
    # Strip by strip, which a processor holds in its cache.
    for top in range(0, len(out), _STRIP_PX):
        rows = slice(top, top + _STRIP_PX)
        part = np.subtract(logits[rows], even_logit, out=out[rows])
        # 1 / (1 + exp(-x)) is (1 + tanh(x / 2)) / 2, which never overflows.
        part *= 0.5
        np.tanh(part, out=part)
        part += 1
        part *= 0.5


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
    chances = [partial(_probability, even=even) for even in (*levels.even, 0.5)]
    near, *others = reader.looks
    if near == (1.0,) and not reader.mouth_sizes:
        way = partial(np.multiply, np.float32(OFFSET_UNIT_MM * view.px_per_mm))
        told = _told(view.rgb, reader, [*chances, way, way])
    else:
        told = _mean_told(near, view, reader)
        if reader.mouth_sizes:
            more = _mean_told(reader.mouth_sizes, view, reader, (_MOUTH,))[0]
            sizes = len(near) + len(reader.mouth_sizes)
            told[_MOUTH] += (more - told[_MOUTH]) * np.float32(len(reader.mouth_sizes) / sizes)
        for chance, logits in zip(chances, told[:4], strict=True):
            chance(logits, out=logits)
    _clear(told[:4], view)
    tissue, wound, mouth, centre = told[:4]
    return PlateMaps(
        tissue=tissue,
        wound=wound,
        mouth=mouth,
        centre=centre,
        to_centre_px=np.moveaxis(told[4:], 0, -1),
        levels=levels,
        other=_wide_look(others[0], view, reader, levels) if others else None,
    )


def _clear(maps: NDArray[np.float32], view: PlateView) -> None:
    """Set maps (n, H, W) to zero where a view is not valid, which most are everywhere."""
    if not view.valid.all():
        maps *= view.valid


def _mean_told(
    sizes: Sequence[float],
    view: PlateView,
    reader: Reader,
    channels: Sequence[int] = range(len(CHANNELS)),
) -> NDArray[np.float32]:
    """Return the mean of what the network says of a view shown so many times as large.

    Logits (n, H, W) of the channels at the view's size; ways in view pixels.
    """
    told = _told_at(sizes[0], view, reader, channels)
    for times in sizes[1:]:
        told += _told_at(times, view, reader, channels)
    told *= np.float32(1 / len(sizes))
    return told


def _told_at(
    times: float, view: PlateView, reader: Reader, channels: Sequence[int]
) -> NDArray[np.float32]:
    height, width = view.valid.shape
    size = max(round(width * times), 1), max(round(height * times), 1)
    larger = times > 1
    shown = cv2.resize(view.rgb, size, interpolation=cv2.INTER_CUBIC if larger else cv2.INTER_AREA)
    said = _maps_of_all(np.asarray(shown, np.uint8), reader)
    told = np.empty((len(channels), height, width), np.float32)
    for channel, out in zip(channels, told, strict=True):
        back = cv2.INTER_AREA if larger else cv2.INTER_LINEAR
        cv2.resize(said[channel], (width, height), out, interpolation=back)
        if CHANNELS[channel].startswith("to_centre"):
            out *= OFFSET_UNIT_MM * view.px_per_mm / times
    return told


def _wide_look(sizes: Sequence[float], view: PlateView, reader: Reader, levels: Levels) -> Look:
    told = _mean_told(sizes, view, reader, (0, 3, 4, 5))
    tissue, centre = told[:2]
    _probability(tissue, levels.even[0], out=tissue)
    _probability(centre, 0.5, out=centre)
    _clear(told[:2], view)
    return Look(tissue=tissue, centre=centre, to_centre_px=np.moveaxis(told[2:], 0, -1))
