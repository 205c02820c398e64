"""Real photographs in painted close-ups: as whole grounds, and as grain of painted surfaces."""

from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import to_linear
from polypvision.errors import PolypvisionError
from polypvision.render.noise import Field
from polypvision.train.closeups.tools import Picture, Radiance, blur, living_colour, mix, step
from polypvision.train.photos import photos_in

# Pictures that scikit-image carries in its package: no people, and none that a test counts.
_PACKAGED = (
    "brick.png",
    "chelsea.png",
    "coffee.png",
    "grass.png",
    "gravel.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "moon.png",
    "motorcycle_left.png",
    "retina.jpg",
    "rocket.jpg",
)
_LEAST_GRAIN = 0.04
"""Of a surface that is rough all over; less is sky and blur, or a scene of several things."""

_own: list[Path] = []


class PhotosMissing(PolypvisionError):
    """A folder that should hold photographs for training holds none."""

    kind = "no-photos"


def use_photos(folder: Path | None) -> None:
    """Let this process draw grounds from a folder too; None: from scikit-image's pictures only.

    Parameters
    ----------
    folder : Path or None
        As `polypvision.train.photos` writes it. Photographs held out for judging are left alone.

    Raises
    ------
    PhotosMissing
        If there are none.
    """
    found = [] if folder is None else photos_in(folder, held=False)
    if folder is not None and not found:
        raise PhotosMissing(
            f"No photographs in {folder}: make them with 'python -m polypvision.train.photos'."
        )
    _own[:] = found


def in_use() -> tuple[Path, ...]:
    """Return the photographs that grounds are drawn from."""
    return (*_packaged(), *_own)


@cache
def _packaged() -> tuple[Path, ...]:
    paths = (Path(str(files("skimage") / "data" / name)) for name in _PACKAGED)
    return tuple(path for path in paths if path.is_file())


@lru_cache(maxsize=24)
def _pixels(path: Path) -> NDArray[np.uint8]:
    data = np.frombuffer(path.read_bytes(), np.uint8)
    pixels = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert pixels is not None
    return np.asarray(pixels[..., ::-1], np.uint8)


@lru_cache(maxsize=48)
def _grey(path: Path) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(_pixels(path), cv2.COLOR_RGB2GRAY), np.uint8)


def _fine(pixels: NDArray[np.uint8], broad_px: float) -> Field:
    """Return the log of a grey picture without what is broader than ``broad_px``."""
    grey = np.log(pixels.astype(np.float32) + 12)
    shrink = max(int(broad_px / 3), 1)
    size = (pixels.shape[1], pixels.shape[0])
    small = cv2.resize(
        grey, (max(size[0] // shrink, 1), max(size[1] // shrink, 1)), interpolation=cv2.INTER_AREA
    )
    broad = blur(np.asarray(small, np.float32), broad_px / shrink)
    return np.asarray(grey - cv2.resize(broad, size, interpolation=cv2.INTER_LINEAR), np.float32)


@cache
def _grain_of(path: Path) -> float:
    """Return the deviation of the fine log luminance in the smoothest sixteenth."""
    pixels = _grey(path)
    scale = 500 / max(pixels.shape[:2])
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    fine = np.abs(_fine(np.asarray(small, np.uint8), 5.0))
    fields = [field for row in np.array_split(fine, 4) for field in np.array_split(row, 4, axis=1)]
    return float(min(np.median(field) for field in fields) * 1.48)


def surfaces() -> tuple[Path, ...]:
    """Return those in use that show one rough surface, such as rock or bark, all over."""
    return _grainy(in_use())


@lru_cache(maxsize=4)
def _grainy(paths: tuple[Path, ...]) -> tuple[Path, ...]:
    return tuple(path for path in paths if _grain_of(path) > _LEAST_GRAIN)


def _cut(
    pixels: NDArray[np.uint8], shape: tuple[int, int], zoom: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return a part of a photograph, turned; at zoom 1 its short side fills the window's long."""
    scale = zoom * max(shape) / min(pixels.shape[:2])
    if scale < 0.6:  # else finer grain than the window's pixels would flicker
        pixels = np.asarray(
            cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
        scale = 1.0
    matrix = cv2.getRotationMatrix2D((0, 0), float(rng.uniform(0, 360)), scale)
    inner = rng.uniform(0.25, 0.75, 2) * [pixels.shape[1], pixels.shape[0]]
    matrix[:, 2] = np.array([shape[1], shape[0]]) / 2 - matrix[:, :2] @ inner
    size = (shape[1], shape[0])
    cut = cv2.warpAffine(pixels, matrix, size, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(cut, np.uint8)


def photo(picture: Picture, shape: tuple[int, int], *, grainy: bool = False) -> Radiance:
    """Return a part of some real photograph, turned, enlarged, under this lamp.

    ``grainy``: of a surface that is rough all over, such as rock or bark.
    """
    rng = picture.rng
    paths = surfaces() if grainy else in_use()
    zoom = float(np.exp(rng.uniform(np.log(0.4), np.log(2.5))))
    cut = _cut(_pixels(paths[rng.integers(len(paths))]), shape, zoom, rng)
    tint = np.exp(rng.normal(0, 0.3, 3)).astype(np.float32)
    light = to_linear(cut) * picture.lamp.seen(tint)
    if rng.random() < 0.3 * picture.lamp.blue:  # algae that glow where the photograph is bright
        bright = cv2.cvtColor(cut, cv2.COLOR_RGB2GRAY).astype(np.float32)
        where = step(bright, float(rng.uniform(60, 220)), 40.0)
        light = mix(light, living_colour(rng, picture.lamp), where * np.float32(rng.uniform(0, 1)))
    return np.asarray(light, np.float32)


def grain(picture: Picture, shape: tuple[int, int], size_px: float) -> Field:
    """Return the relief of light and dark of some photographed surface, of unit deviation.

    Parameters
    ----------
    picture : Picture
    shape : tuple of 2 ints
        Height and width.
    size_px : float
        About what width of window one photograph covers.

    Returns
    -------
    Field
        (H, W), between -3 and 3.
    """
    rng = picture.rng
    paths = surfaces()
    cut = _cut(_grey(paths[rng.integers(len(paths))]), shape, size_px / max(shape), rng)
    fine = _fine(cut, float(rng.uniform(0.03, 0.2) * size_px))
    return np.asarray(np.clip(fine / (fine.std() + 1e-3), -3, 3), np.float32)


def weathered(
    picture: Picture, light: Radiance, height: Field | None = None, *, strength: float = 1.0
) -> Radiance:
    """Return a surface with the grain of a photographed one, by chance more or less of it.

    ``height`` (pixels), if given, is roughened in place.
    """
    rng = picture.rng
    size = max(float(np.exp(rng.uniform(np.log(150), np.log(900)))), 0.5 * max(light.shape[:2]))
    rough = grain(picture, (light.shape[0], light.shape[1]), size)
    if height is not None:
        height += rough * np.float32(rng.choice([0.0, rng.uniform(0, 2.5)]) * strength)
    return np.asarray(
        light * np.exp(np.float32(rng.uniform(0.1, 0.6) * strength) * rough)[..., None], np.float32
    )
