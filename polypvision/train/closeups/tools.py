"""Brushes of the close-up painter: lamp, pigments, noise, shaded blobs, layers."""

import colorsys
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field, cloud

Radiance = NDArray[np.float32]
Colour = NDArray[np.float32]
Points = NDArray[np.float64]

NOT_COUNTED = 255
"""Owner of pixels that teach nothing."""
_TILE_PX = 512


@dataclass(frozen=True, kw_only=True, eq=False)
class Lamp:
    """Light of a picture.

    ``colour`` is linear; ``blue`` runs from 0 (white) to 1 (only 450 nm); ``ambient`` is the part
    that comes from all sides.
    """

    colour: Colour
    towards: Colour
    blue: float
    ambient: float

    @classmethod
    def chance(cls, rng: np.random.Generator) -> "Lamp":
        """Draw a lamp: daylight, reef lamps between white and blue, or nearly only blue."""
        blue = float(rng.choice([0.0, rng.uniform(0, 0.5), rng.uniform(0.5, 0.9), 1.0]))
        white = np.exp(rng.normal(0, 0.12, 3))
        deep = np.array([rng.uniform(0.0, 0.06), rng.uniform(0.05, 0.45), 1.0])
        colour = white ** (1 - blue) * np.maximum(deep, 0.004) ** (blue**1.5)
        angle, height = rng.normal(-np.pi / 2, 0.9), rng.uniform(0.5, 1.35)
        flat = np.cos(height)
        towards = [flat * np.cos(angle), flat * np.sin(angle), np.sin(height)]
        return cls(
            colour=colour.astype(np.float32),
            towards=np.array(towards, np.float32),
            blue=blue,
            ambient=float(rng.uniform(0.2, 0.65)),
        )

    def seen(self, albedo: Colour, glow: Colour | float = 0.0) -> Colour:
        """Return a pigment's colour under this lamp: reflected light and fluorescence."""
        dim = 1 - 0.75 * self.blue**2
        return np.asarray(albedo * self.colour * dim + glow * (0.1 + 0.9 * self.blue), np.float32)

    def shade(self, nx: Field, ny: Field, nz: Field) -> Field:
        """Return diffuse light on surfaces with these normals; 1 for one facing the viewer."""
        lx, ly, lz = (float(value) for value in self.towards)
        lit = np.clip((nx * lx + ny * ly + nz * lz) / lz, 0, 2.2)
        return np.asarray((1 - self.ambient) * lit + self.ambient * (0.3 + 0.7 * nz), np.float32)

    def highlight(self, nx: Field, ny: Field, nz: Field, shine: float) -> Field:
        """Return the wet highlight, 0 to 1."""
        half = self.towards + np.array([0, 0, 1], np.float32)
        half = half / np.linalg.norm(half)
        facing = np.clip(nx * half[0] + ny * half[1] + nz * half[2], 0, 1)
        return np.asarray(facing**shine, np.float32)

    def relief(self, height: Field) -> Field:
        """Return diffuse light on a height field in pixels."""
        dx = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        dy = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        nz = np.asarray(1 / np.sqrt(1 + dx * dx + dy * dy), np.float32)
        return self.shade(np.asarray(-dx * nz), np.asarray(-dy * nz), nz)


class Noise:
    """Smooth noise of a picture: one tile, looked at anew each time."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._rough = cloud((_TILE_PX, _TILE_PX), 64, rng, octaves=6)
        self._soft = cv2.GaussianBlur(cloud((_TILE_PX, _TILE_PX), 32, rng, octaves=2), (0, 0), 2)

    def field(self, shape: tuple[int, int], size_px: float, *, soft: bool = False) -> Field:
        """Return noise (H, W) of unit deviation, its largest blobs about ``size_px`` wide."""
        tile, own = (self._soft, 32) if soft else (self._rough, 64)
        scale = own / size_px
        # Where a tile's pixel covers several of the window, the window may be drawn smaller.
        shrink = 1 if scale > 0.5 and not soft else 2 if scale > 0.25 else 4
        small = (-(-shape[0] // shrink), -(-shape[1] // shrink))
        scale *= shrink
        angle = self._rng.uniform(0, 2 * np.pi)
        c, s = np.cos(angle) * scale, np.sin(angle) * scale
        shift = self._rng.uniform(0, _TILE_PX, 2)
        matrix = np.array([[c, -s, shift[0]], [s, c, shift[1]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        out = cv2.warpAffine(tile, matrix, small[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT)
        if shrink > 1:
            out = cv2.resize(out, shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.asarray(out, np.float32)

    def polar(self, theta: Field, rho: Field, turns: float, length: float) -> Field:
        """Return noise streaked along radii: ``turns`` blobs round, ``length`` blobs along."""
        own = 64 / _TILE_PX
        u = (np.abs(theta) / np.pi * turns / 2 * own + self._rng.uniform(0, 1)) * _TILE_PX
        v = (rho * length * own + self._rng.uniform(0, 1)) * _TILE_PX
        out = cv2.remap(
            self._rough,
            np.asarray(u, np.float32),
            np.asarray(v, np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        return np.asarray(out, np.float32)


@dataclass(eq=False, kw_only=True)
class Picture:
    """What is painted so far: linear light, and whose each pixel is.

    ``mouths`` and ``areas`` (pixels, before others hid them) of each disc that counts. In a
    ``natural`` one no clone wears a pattern that no species does; in a ``motley`` one most clones
    do, and most grounds too.
    """

    light: Radiance
    owner: NDArray[np.uint8]
    lamp: Lamp
    noise: Noise
    rng: np.random.Generator
    natural: bool = False
    motley: bool = False
    mouths: dict[int, Points] = field(default_factory=dict)
    areas: dict[int, int] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        return int(self.owner.shape[0]), int(self.owner.shape[1])


def step(x: Field, edge: float, soft: float) -> Field:
    """Return 0 below ``edge``, 1 above, with a ramp of width ``soft``."""
    return np.asarray(np.clip((x - edge) / soft + 0.5, 0, 1), np.float32)


def blur(image: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Return a picture or field blurred."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), np.float32)


def grey(light: Radiance) -> Field:
    """Return the mean (H, W) of three channels; numpy is slow along so short an axis."""
    return np.asarray(cv2.transform(light, np.full((1, 3), 1 / 3)), np.float32)


def peak(light: Radiance) -> Field:
    """Return the largest (H, W) of three channels."""
    largest = np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])
    return np.asarray(largest, np.float32)


def times(light: Radiance, factor: Field) -> Radiance:
    """Return light (H, W, 3) times a factor (H, W); numpy is slow to stretch one over channels."""
    factor = np.asarray(factor, np.float32)
    return np.asarray(light * cv2.merge((factor, factor, factor)), np.float32)


def tinted(field: Field, colour: Colour) -> Radiance:
    """Return a colour (3,) times a field (H, W)."""
    field = np.asarray(field, np.float32)
    return np.asarray(cv2.transform(field, np.asarray(colour, np.float64)[:, None]), np.float32)


def mix(under: Radiance, over: Radiance | Colour, weight: Field) -> Radiance:
    """Return ``over`` laid on ``under`` with a weight (H, W)."""
    if over.ndim == 1:
        return times(under, 1 - weight) + tinted(weight, over)
    return np.asarray(under + times(over - under, weight), np.float32)


def hsv(hue: float, saturation: float, value: float) -> Colour:
    """Return a linear colour."""
    rgb = np.array(colorsys.hsv_to_rgb(hue % 1.0, saturation, value))
    return np.asarray(rgb**2.2, np.float32)


def any_colour(rng: np.random.Generator, *, hue: float | None = None) -> Colour:
    """Return some reflectance, of a given hue or any, dull to vivid, dark to bright."""
    if hue is None:
        hue = float(rng.random())
    saturation = 0.9 * float(rng.beta(2.0, 1.6))
    return hsv(hue + rng.normal(0, 0.02), saturation, float(rng.uniform(0.2, 1.0)))


def living_colour(rng: np.random.Generator, lamp: Lamp, *, hue: float | None = None) -> Colour:
    """Return some pigment's colour under a lamp; many glow under blue light."""
    if hue is None:
        # Greens and oranges are commonest among fluorescent proteins, blue ones rare.
        hue = float(rng.choice([rng.random(), rng.normal(0.33, 0.06), rng.normal(0.05, 0.05)]))
    albedo = any_colour(rng, hue=hue)
    glow = hsv(hue, float(rng.uniform(0.6, 0.97)), 1.0) * rng.choice(
        [rng.uniform(0, 0.03), rng.uniform(0.03, 0.2), rng.uniform(0.15, 0.7)]
    )
    return lamp.seen(albedo, glow)


@dataclass(frozen=True, kw_only=True, eq=False)
class Blobs:
    """Ellipsoids seen from above, the highest at each pixel.

    ``which`` is the number of the blob, -1 for none; ``nx, ny, nz`` its normal there (nz is also
    its height above its own rim, 1 at its top); ``along`` the place along its long axis, -1 to 1.
    """

    which: NDArray[np.int32]
    nx: Field
    ny: Field
    nz: Field
    along: Field

    @property
    def there(self) -> NDArray[np.bool_]:
        """Where any blob is."""
        return np.asarray(self.which >= 0)


def blobs(
    shape: tuple[int, int],
    xy: Points,
    long: Points,
    wide: Points,
    angle: Points,
    base: Points,
) -> Blobs:
    """Return ellipsoids over a window.

    Parameters
    ----------
    shape : tuple of 2 ints
    xy : ndarray (n, 2)
        Middles, pixels.
    long, wide, angle : ndarray (n,)
        Half axes in pixels, and the direction of ``long``.
    base : ndarray (n,)
        Height of their rims, pixels: the higher hides the lower.
    """
    height, width = shape
    key = np.full(height * width, -1, np.int64)
    reach = np.ceil(np.maximum(long, wide)).astype(np.int64)
    # Few different window sizes: each is one pass over arrays.
    reach = np.minimum(np.ceil(1.3 ** np.ceil(np.log(np.maximum(reach, 2)) / np.log(1.3))), 400)
    corner = np.round(xy).astype(np.int64)
    cosine, sine = np.cos(angle), np.sin(angle)
    low = float(base.min(initial=0.0))
    for size in np.unique(reach):
        chosen = np.flatnonzero(reach == size)
        ticks = np.arange(-int(size), int(size) + 1)
        for part in np.array_split(chosen, max(1, len(chosen) * len(ticks) ** 2 // 400_000)):
            px = corner[part, 0, None] + ticks
            py = corner[part, 1, None] + ticks
            dx = (px - xy[part, 0, None]).astype(np.float32)[:, None, :]
            dy = (py - xy[part, 1, None]).astype(np.float32)[:, :, None]
            c, s = (v[part, None, None].astype(np.float32) for v in (cosine, sine))
            a, b = (v[part, None, None].astype(np.float32) for v in (long, wide))
            square = ((dx * c + dy * s) / a) ** 2 + ((dy * c - dx * s) / b) ** 2
            inside = (square < 1) & ((px >= 0) & (px < width))[:, None, :]
            inside &= ((py >= 0) & (py < height))[:, :, None]
            rise = np.sqrt(1 - square[inside])
            own = np.repeat(part, np.count_nonzero(inside, axis=(1, 2)))
            level = ((rise * np.minimum(long, wide)[own] + base[own] - low) * 32).astype(np.int64)
            place = py[:, :, None] * width + px[:, None, :]
            np.maximum.at(key, place[inside], (level << 20) | own)
    which = np.where(key >= 0, key & 0xFFFFF, -1).astype(np.int32).reshape(shape)
    nx, ny, nz, along = np.zeros((4, height, width), np.float32)
    rows, columns = np.nonzero(which >= 0)
    owner = which[rows, columns]
    right, down = columns - xy[owner, 0], rows - xy[owner, 1]
    c, s = cosine[owner], sine[owner]
    p, q = (right * c + down * s) / long[owner], (down * c - right * s) / wide[owner]
    nx[rows, columns], ny[rows, columns] = p * c - q * s, p * s + q * c
    nz[rows, columns] = np.sqrt(np.clip(1 - p * p - q * q, 0, 1))
    along[rows, columns] = p
    return Blobs(which=which, nx=nx, ny=ny, nz=nz, along=along)


def lay(
    picture: Picture,
    corner: tuple[int, int],
    light: Radiance,
    cover: Field,
    *,
    blur_px: float = 0.0,
    shadow: float = 0.0,
    reach_px: float = 6.0,
) -> tuple[slice, slice, slice, slice] | None:
    """Lay a window whose top left pixel is at x, y ``corner``; out of focus by ``blur_px``.

    Returns the rows and columns it took, in the picture and in the window; None if outside.
    """
    x, y = corner
    height, width = picture.shape
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + cover.shape[0], height), min(x + cover.shape[1], width)
    if bottom <= top or right <= left:
        return None
    rows, columns = slice(top, bottom), slice(left, right)
    inner = slice(top - y, bottom - y), slice(left - x, right - x)
    if blur_px > 0.3:
        light = blur(times(light, cover), blur_px)
        cover = blur(cover, blur_px)
        light = times(light, np.asarray(1 / np.maximum(cover, 1e-4), np.float32))
    under = picture.light[rows, columns]
    if shadow > 0:
        lx, ly, _ = (float(value) for value in picture.lamp.towards)
        small = max(min(round(0.3 * reach_px), 4), 1)  # a soft shadow needs few pixels
        size = (-(-cover.shape[1] // small), -(-cover.shape[0] // small))
        thin = cv2.resize(cover, size, interpolation=cv2.INTER_AREA)
        move = np.array([[1, 0, -lx * reach_px / small], [0, 1, -ly * reach_px / small]])
        cast = np.asarray(cv2.warpAffine(thin, move, size), np.float32)
        dark = blur(cast, (max(0.6 * reach_px, 0.8) + blur_px) / small)
        if small > 1:
            whole = cv2.resize(dark, cover.shape[::-1], interpolation=cv2.INTER_LINEAR)
            dark = np.asarray(whole, np.float32)
        under[:] = times(under, np.asarray(1 - shadow * dark[inner], np.float32))
    under += times(light[inner] - under, cover[inner])
    return rows, columns, *inner
