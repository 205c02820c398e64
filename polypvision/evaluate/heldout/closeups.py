"""Close-ups in looks that lessons do not show, painted with the close-up painter's brushes."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.evaluate.heldout.grounds import GROUNDS, soft
from polypvision.evaluate.heldout.skins import Place, any_clone, paint
from polypvision.measure.shape import equivalent_diameter, mask_outline, polygon_area
from polypvision.reading import Points
from polypvision.train.closeups.camera import develop
from polypvision.train.closeups.tools import Lamp, Noise, Picture

_MM_PER_PX = 1 / 6
_MARGIN_PX = 30
_WHOLE = 0.7
"""A disc of which less is seen is a partial one."""
_RADII_PX = {"spiral": (45, 150), "rings": (35, 140), "maze": (45, 160), "clubs": (24, 80)}


def _places(picture: Picture, skin: str, count: int) -> list[Place]:
    """Lay discs out, some over the rims of others, the nearer ones last."""
    rng = picture.rng
    low, high = _RADII_PX[skin]
    largest = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    closeness = rng.uniform(0.8, 1.2)
    squeeze = float(rng.choice([rng.uniform(0.9, 1.0), rng.uniform(0.6, 1.0)]))
    placed: list[Place] = []
    for _ in range(80 * count):
        if len(placed) == count:
            break
        radius = float(np.clip(largest * np.exp(rng.normal(-0.1, 0.2)), low, high))
        x, y = rng.uniform(0.08, 0.92, 2) * picture.shape[::-1]
        if placed and rng.random() < 0.5:  # beside another
            other, way = placed[int(rng.integers(len(placed)))], rng.uniform(0, 2 * np.pi)
            reach = closeness * (other.radius + radius)
            x, y = other.x + reach * np.cos(way), other.y + reach * np.sin(way)
        if not (0 < x < picture.shape[1] and 0 < y < picture.shape[0]):
            continue
        far = [np.hypot(x - p.x, y - p.y) / (radius + p.radius) for p in placed]
        if min(far, default=9.0) < 0.999 * closeness:
            continue
        placed.append(
            Place(
                x=float(x),
                y=float(y),
                radius=radius,
                squeeze=float(np.clip(squeeze + rng.normal(0, 0.06), 0.5, 1.0)),
                turn=float(rng.uniform(0, 2 * np.pi)),
                mouths=1 + int(rng.random() < 0.18),
            )
        )
    return sorted(placed, key=lambda place: place.y)


def _polyp(label: int, seen: NDArray[np.bool_], whole: int, mouths: Points, skin: str) -> Any:
    """Return the truth of one disc; ``seen`` is what is visible of it in the picture."""
    outline = mask_outline(seen)
    inside = [m for m in np.round(mouths).astype(int) if _on(seen, m)]
    places = [m for m in mouths if _on(seen, np.round(m).astype(int))]
    border = np.concatenate([seen[0], seen[-1], seen[:, 0], seen[:, -1]])
    return {
        "label": label,
        "kind": skin,
        "outline_px": np.round(outline, 2).tolist(),
        "diameter_mm": _MM_PER_PX * equivalent_diameter(polygon_area(outline)),
        "n_mouths": len(inside),
        "mouths": [{"x_px": float(x), "y_px": float(y)} for x, y in places],
        "wound_mm2": 0.0,
        "wound_outlines_px": [],
        "partial": bool(border.any() or seen.sum() < _WHOLE * whole),
        "flags": [],
    }


def _on(seen: NDArray[np.bool_], place: NDArray[np.int_]) -> bool:
    x, y = int(place[0]), int(place[1])
    return bool(0 <= y < seen.shape[0] and 0 <= x < seen.shape[1] and seen[y, x])


def closeup(
    rng: np.random.Generator, skin: str, ground: str, count: int | None
) -> tuple[NDArray[np.uint8], dict[str, Any], float]:
    """Return a close-up (H, W, 3), its truth, and its scale in mm per pixel.

    Parameters
    ----------
    rng : numpy.random.Generator
    skin : str
        One of `skins.SKINS`.
    ground : str
        One of `grounds.GROUNDS`.
    count : int or None
        Number of discs at most, None for any but none.
    """
    height, width = (int(side) + 2 * _MARGIN_PX for side in rng.integers(560, 961, 2))
    picture = Picture(
        light=np.zeros((height, width, 3), np.float32),
        owner=np.zeros((height, width), np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )
    blur_px = float(rng.choice([0.0, rng.uniform(0, 2), rng.uniform(2, 8)]))
    picture.light[:] = soft(GROUNDS[ground](picture), blur_px)
    number = int(rng.integers(1, 19)) if count is None else count
    painted = []
    if number:
        clones = [any_clone(picture, skin) for _ in range(int(rng.integers(1, 3)))]
        for label, place in enumerate(_places(picture, skin, number), 1):
            clone = clones[int(rng.integers(len(clones)))]
            painted.append(paint(picture, clone, place, label))
    cut = slice(_MARGIN_PX, -_MARGIN_PX), slice(_MARGIN_PX, -_MARGIN_PX)
    seen = replace(picture, light=picture.light[cut].copy(), owner=picture.owner[cut])
    polyps = [
        _polyp(label, seen.owner == label, int(whole.sum()), mouths - _MARGIN_PX, skin)
        for label, (whole, mouths) in enumerate(painted, 1)
        if (seen.owner == label).sum() > 30
    ]
    return develop(seen), {"ground": ground, "polyps": polyps}, _MM_PER_PX
