"""Photos of bare cards with a known camera, made without the project's own renderer."""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.card.code import CardName
from polypvision.card.draw import card_pixels, single_page
from polypvision.card.layout import CardKind, card_layout

PAPER_PX_PER_MM = 12


def paper(
    kind: CardKind, code: int, *, copy: int = 0, hidden: tuple[int, ...] = ()
) -> NDArray[np.float32]:
    """Linear light (H, W) of a printed card on white paper; hidden markers are half covered."""
    layout = card_layout(kind)
    page = single_page(code, CardName(kind, copy))
    codes = card_pixels(page, PAPER_PX_PER_MM).astype(np.float32) / 255
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4) * 0.85

    def cover(x: float, y: float, width: float, height: float, level: float) -> None:
        rows = slice(int(y * PAPER_PX_PER_MM), int((y + height) * PAPER_PX_PER_MM))
        columns = slice(int(x * PAPER_PX_PER_MM), int((x + width) * PAPER_PX_PER_MM))
        light[rows, columns] = level

    for index in hidden:
        box = layout.markers[index]
        cover(box.x, box.y, box.width, 0.6 * box.height, 0.3)
    if layout.window is not None:
        window = layout.window
        cover(window.x, window.y, window.width, window.height, 0.1)
    return np.asarray(light, np.float32)


def camera(
    size_mm: tuple[float, float],
    *,
    tilt: float,
    roll: float,
    px_per_mm: float,
    picture: tuple[int, int],
    distance_mm: float = 400.0,
) -> NDArray[np.float64]:
    """Homography from card mm to photo pixels of a pinhole camera aimed at the card's middle."""
    focal = px_per_mm * distance_mm
    t, r = np.radians(tilt), np.radians(roll)
    turn_x = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    turn_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    turn = turn_x @ turn_z
    inner = np.array([[focal, 0, picture[0] / 2], [0, focal, picture[1] / 2], [0, 0, 1]])
    away = np.array([0, 0, distance_mm]) - turn[:, :2] @ (np.array(size_mm) / 2)
    matrix = inner @ np.column_stack([turn[:, 0], turn[:, 1], away])
    return np.asarray(matrix / matrix[2, 2], np.float64)


def place(
    scene: NDArray[np.float32],
    light: NDArray[np.float32],
    homography: NDArray[np.float64],
) -> None:
    """Warp a card's linear light into a scene (H, W), supersampled."""
    factor = 2
    density = PAPER_PX_PER_MM
    scale = np.array([[density, 0, -0.5], [0, density, -0.5], [0, 0, 1.0]])
    half = (factor - 1) / 2
    finer = np.array([[factor, 0, half], [0, factor, half], [0, 0, 1.0]])
    warp = finer @ homography @ np.linalg.inv(scale)
    big = (scene.shape[1] * factor, scene.shape[0] * factor)
    warped = cv2.warpPerspective(light, warp, big, flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones_like(light), warp, big, flags=cv2.INTER_LINEAR)
    small = (scene.shape[1], scene.shape[0])
    warped = cv2.resize(warped, small, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(cover, small, interpolation=cv2.INTER_AREA)
    scene[:] = scene * (1 - cover) + warped


def develop(
    scene: NDArray[np.float32],
    *,
    blur_px: float = 1.0,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    noise: float = 0.01,
    gradient: float = 0.0,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Turn linear light (H, W) into an sRGB photo (H, W, 3): blur, coloured light, noise."""
    rng = np.random.default_rng(seed)
    blurred = cv2.GaussianBlur(scene, (0, 0), blur_px) if blur_px else scene
    across = 1 + gradient * np.linspace(-0.5, 0.5, scene.shape[1], dtype=np.float32)
    lit = (blurred * across)[..., None] * np.array(light, np.float32)
    lit = np.clip(lit + rng.normal(0, noise, lit.shape) * np.sqrt(np.clip(lit, 0.01, 1)), 0, 1)
    codes = np.where(lit <= 0.0031308, 12.92 * lit, 1.055 * lit ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(codes * 255), np.uint8)


def card_photo(
    kind: CardKind,
    *,
    code: int = 1234,
    tilt: float = 0.0,
    roll: float = 0.0,
    px_per_mm: float = 8.0,
    picture: tuple[int, int] = (1800, 1400),
    hidden: tuple[int, ...] = (),
    blur_px: float = 1.0,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    gradient: float = 0.0,
    noise: float = 0.01,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return a photo of one card and the true homography from card mm to its pixels."""
    size = card_layout(kind).size_mm
    homography = camera(size, tilt=tilt, roll=roll, px_per_mm=px_per_mm, picture=picture)
    scene = np.full((picture[1], picture[0]), 0.12, np.float32)
    place(scene, paper(kind, code, hidden=hidden), homography)
    photo = develop(scene, blur_px=blur_px, light=light, gradient=gradient, noise=noise)
    return photo, homography
