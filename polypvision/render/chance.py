"""Random scenes of every kind, for tuning and for tests."""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from polypvision.calibrate.view import apply_homography
from polypvision.card.layout import CARD_KINDS, ID1_MM, CardKind, card_layout
from polypvision.render.camera import plate_to_photo
from polypvision.render.scene import (
    GROUNDS,
    HELD_OUT,
    MORPHS,
    TEXTURES,
    Camera,
    FurnitureKind,
    FurnitureSpec,
    Ground,
    Light,
    Morph,
    PolypSpec,
    Scene,
    Shape,
    SmallCard,
    Texture,
)
from polypvision.render.shapes import Planform, part, planform

_SHAPES: tuple[Shape, ...] = ("disc", "oval", "hourglass", "half", "quarter", "margin")
_SHAPE_SHARES = (0.45, 0.17, 0.06, 0.14, 0.09, 0.09)
_THINGS: tuple[FurnitureKind, ...] = (
    "plug",
    "tile",
    "grid",
    "glue",
    "snail",
    "bubble",
    "algae",
    "rubble",
)
_THING_SIZES: dict[FurnitureKind, tuple[float, float]] = {
    "plug": (14, 30),
    "tile": (18, 40),
    "grid": (40, 70),
    "glue": (4, 14),
    "snail": (6, 16),
    "bubble": (1, 4),
    "algae": (8, 22),
    "rubble": (8, 28),
    "hub": (14, 30),
}


@dataclass(frozen=True, kw_only=True)
class Looks:
    """What chance may choose from."""

    grounds: tuple[Ground, ...]
    morphs: tuple[Morph, ...]
    textures: tuple[Texture, ...]
    things: tuple[FurnitureKind, ...]


TAUGHT = Looks(
    grounds=tuple(word for word in GROUNDS if word not in HELD_OUT),
    morphs=tuple(word for word in MORPHS if word not in HELD_OUT),
    textures=tuple(word for word in TEXTURES if word not in HELD_OUT),
    things=_THINGS,
)
"""What lessons are drawn from: all but `HELD_OUT`."""


def _seed(rng: np.random.Generator) -> int:
    return int(rng.integers(0, 2**31))


def _round(value: float) -> float:
    """As a table would hold it."""
    return round(float(value), 3)


def random_polyp(
    rng: np.random.Generator, name: str, x_mm: float, y_mm: float, looks: Looks = TAUGHT
) -> PolypSpec:
    """Return one polyp of any kind at a place."""
    shape = _SHAPES[rng.choice(len(_SHAPES), p=_SHAPE_SHARES)]
    piece = shape in ("half", "quarter", "margin")
    diameter = rng.uniform(6, 20) if shape == "margin" else rng.uniform(9, 42)
    mouth_length = rng.uniform(0.10, 0.19)
    healed = rng.uniform(0, 1) ** 1.5 if piece else 0.0
    mouths, gap = 1, 0.0
    if piece:
        mouths = int(rng.random() < 0.3 + 0.7 * healed)
    elif shape == "hourglass" or rng.random() < 0.2:
        mouths, gap = 2, diameter * rng.uniform(0.25, 0.45)
    if shape == "hourglass":
        gap = diameter * rng.uniform(0.40, 0.55)
    wound = 0.0
    if piece and healed < 0.9:
        width = rng.uniform(0.5, 4.0) * (1 - healed)
        wound = min(width * diameter * (1.2 if shape != "margin" else 0.9), 0.25 * diameter**2)
    elif rng.random() < 0.06:
        wound = rng.uniform(0.01, 0.05) * diameter**2
    return PolypSpec(
        name=name,
        x_mm=_round(x_mm),
        y_mm=_round(y_mm),
        diameter_mm=_round(diameter),
        shape=shape,
        angle_deg=_round(rng.uniform(0, 360)),
        aspect=_round(rng.uniform(1.1, 1.7)),
        waist=_round(rng.uniform(0.35, 0.9)),
        lobes=int(rng.choice([0, 0, int(rng.integers(5, 30))])),
        lobe_depth=_round(rng.uniform(0.01, 0.05)),
        wobble=_round(rng.uniform(0.005, 0.045)),
        roundness=_round(healed),
        morph=looks.morphs[rng.integers(len(looks.morphs))],
        texture=looks.textures[rng.integers(len(looks.textures))],
        vigour=_round(1 - 0.6 * rng.random() ** 4),
        mouths=mouths,
        mouth_gap_mm=_round(max(gap, mouth_length * diameter + 0.01) if mouths > 1 else 0.0),
        mouth_length=_round(mouth_length),
        wound_mm2=_round(wound),
        seed=_seed(rng),
    )


class _Packing:
    """Shapes placed so far on a plate, each of which must stay clear of or only touch others."""

    def __init__(self, box: tuple[float, float, float, float], taken: list[np.ndarray]) -> None:
        self.box = box
        self.taken = taken
        self.shapes: list[Planform] = []

    def may_fit(self, spec: PolypSpec) -> bool:
        """Whether it is worth working out the shape: a quick look at middles and sizes."""
        left, top, right, bottom = self.box
        inset = 0.3 * spec.diameter_mm
        if not (left + inset < spec.x_mm < right - inset):
            return False
        if not (top + inset < spec.y_mm < bottom - inset):
            return False
        place = np.array([spec.x_mm, spec.y_mm])
        return all(
            np.hypot(*(place - other.centre_mm))
            > 0.5 * (spec.diameter_mm / 2 + float(other.radius_mm.min()))
            for other in self.shapes
        )

    def fits(self, shape: Planform, touching: bool) -> bool:
        outline = shape.outline_mm
        left, top, right, bottom = self.box
        low, high = outline.min(axis=0), outline.max(axis=0)
        if low[0] < left + 1 or low[1] < top + 1 or high[0] > right - 1 or high[1] > bottom - 1:
            return False
        for x, y, reach in self.taken:
            if np.hypot(*(shape.centre_mm - (x, y))) < reach + shape.radius_mm.max():
                return False
        for other in self.shapes:
            space = np.hypot(*(shape.centre_mm - other.centre_mm))
            if space > shape.radius_mm.max() + other.radius_mm.max() + 1.0:
                continue
            parted = part(other, shape)
            if parted is None:
                return False
            lost = 1 - min(parted[0].area_mm2 / other.area_mm2, parted[1].area_mm2 / shape.area_mm2)
            if lost > (0.06 if touching else 0.0):
                return False
        return True


def _line(rng: np.random.Generator, looks: Looks) -> tuple[Morph, Texture]:
    return (
        looks.morphs[rng.integers(len(looks.morphs))],
        looks.textures[rng.integers(len(looks.textures))],
    )


def random_polyps(
    rng: np.random.Generator,
    box: tuple[float, float, float, float],
    count: int,
    cards: list[np.ndarray] | None = None,
    looks: Looks = TAUGHT,
) -> tuple[PolypSpec, ...]:
    """Return up to so many polyps on a plate, some touching.

    Parameters
    ----------
    rng : numpy.random.Generator
    box : tuple of 4 floats
        Left, top, right, bottom of the plate, mm.
    count : int
    cards : list of ndarray (3,), optional
        Circles (x, y, radius) that must stay free.
    looks : Looks
    """
    cards = cards or []
    packing = _Packing(box, cards)
    specs: list[PolypSpec] = []
    # A plate usually holds one or two lines.
    lines = [_line(rng, looks)]
    if rng.random() < 0.6:
        lines.append(_line(rng, looks))
    for _ in range(40 * count):
        if len(specs) == count:
            break
        beside = bool(packing.shapes) and rng.random() < 0.35
        x, y = rng.uniform(box[0], box[2]), rng.uniform(box[1], box[3])
        spec = random_polyp(rng, f"p{len(specs) + 1:02d}", x, y, looks)
        if beside:
            other = packing.shapes[rng.integers(len(packing.shapes))]
            own = planform(spec)
            heading = rng.uniform(0, 2 * math.pi)
            reach = (other.radius_mm.mean() + own.radius_mm.mean()) * rng.uniform(0.93, 1.02)
            spec = _moved(
                spec,
                other.centre_mm[0] + reach * math.cos(heading),
                other.centre_mm[1] + reach * math.sin(heading),
            )
        if rng.random() < 0.85:
            morph, texture = lines[rng.integers(len(lines))]
            spec = _as(spec, morph=morph, texture=texture)
        if not packing.may_fit(spec):
            continue
        shape = planform(spec)
        if packing.fits(shape, touching=beside):
            specs.append(spec)
            packing.shapes.append(shape)
    return _settled(specs)


def _as(spec: PolypSpec, **changes: object) -> PolypSpec:
    return replace(spec, **changes)  # type: ignore[arg-type]


def _moved(spec: PolypSpec, x_mm: float, y_mm: float) -> PolypSpec:
    return _as(spec, x_mm=_round(x_mm), y_mm=_round(y_mm))


def _settled(specs: list[PolypSpec]) -> tuple[PolypSpec, ...]:
    """Leave out the few that pressing apart in turn cannot place."""
    kept: list[PolypSpec] = []
    shapes: list[Planform] = []
    for spec in specs:
        shape = planform(spec)
        trial = [*shapes]
        fine = True
        for index, other in enumerate(trial):
            parted = part(other, shape)
            if parted is None:
                fine = False
                break
            trial[index], shape = parted
        if fine:
            kept.append(spec)
            shapes = [*trial, shape]
    return tuple(kept)


def _furniture(
    rng: np.random.Generator,
    box: tuple[float, float, float, float],
    cards: list[np.ndarray],
    kinds: tuple[FurnitureKind, ...],
) -> tuple[FurnitureSpec, ...]:
    things: list[FurnitureSpec] = []
    for _ in range(int(rng.integers(0, 14))):
        kind = kinds[rng.integers(len(kinds))]
        size = rng.uniform(*_THING_SIZES[kind])
        x, y = rng.uniform(box[0] + 3, box[2] - 3), rng.uniform(box[1] + 3, box[3] - 3)
        if any(np.hypot(x - cx, y - cy) < reach + size / 2 for cx, cy, reach in cards):
            continue
        inside = min(x - box[0], box[2] - x, y - box[1], box[3] - y)
        if kind not in ("bubble", "algae", "snail") and inside < size / 2:
            continue
        things.append(
            FurnitureSpec(
                kind=kind,
                x_mm=_round(x),
                y_mm=_round(y),
                size_mm=_round(size),
                angle_deg=_round(rng.uniform(0, 360)),
                tint=_round(rng.random()),
                seed=_seed(rng),
            )
        )
    return tuple(things)


def frame_camera(
    camera: Camera, box_mm: tuple[float, float, float, float], fill: float = 0.94
) -> Camera:
    """Return the camera at the distance where a box on the plate just fills its picture.

    Parameters
    ----------
    fill : float
        Part of the half width or height that the farthest corner may reach.
    """
    left, top, right, bottom = box_mm
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    camera = _aimed(camera, (left + right) / 2, (top + bottom) / 2, camera.distance_mm)
    low, high = 60.0, 4000.0
    for _ in range(40):
        middle = (low + high) / 2
        trial = _aimed(camera, camera.target_x_mm, camera.target_y_mm, middle)
        homography = plate_to_photo(trial)
        depth = np.column_stack([corners, np.ones(4)]) @ homography[2]
        points = apply_homography(homography, corners)
        half = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
        reach = np.abs(points / half - 1).max() if (depth > 0).all() else np.inf
        low, high = (middle, high) if reach > fill else (low, middle)
    return _aimed(camera, camera.target_x_mm, camera.target_y_mm, _round(high))


def _aimed(camera: Camera, x_mm: float, y_mm: float, distance_mm: float) -> Camera:
    return replace(
        camera, target_x_mm=_round(x_mm), target_y_mm=_round(y_mm), distance_mm=distance_mm
    )


def _roll(
    rng: np.random.Generator, box: tuple[float, float, float, float], size: tuple[int, int]
) -> float:
    """Any way up, mostly with the plate's long side along the photo's."""
    lengthwise = (box[2] - box[0] > box[3] - box[1]) == (size[0] > size[1])
    if rng.random() < 0.1:
        return float(rng.uniform(0, 360))
    turn = (0 if lengthwise else 90) + 180 * int(rng.integers(2))
    return float((turn + rng.normal() * 8) % 360)


def random_light(rng: np.random.Generator) -> Light:
    """Return any light from white to almost only blue."""
    return Light(
        blue=_round(rng.choice([rng.uniform(0, 0.3), rng.uniform(0.2, 0.8)])),
        exposure=_round(rng.uniform(0.55, 1.1)),
        azimuth_deg=_round(rng.uniform(0, 360)),
        elevation_deg=_round(rng.uniform(40, 75)),
        gradient=_round(rng.uniform(0, 0.45)),
        glare=int(rng.choice([0, 0, 0, 1, 2, 4])),
        caustics=_round(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.5)])),
    )


def random_scene(
    rng: np.random.Generator,
    *,
    photo: str = "random.jpg",
    width_px: int = 2000,
    height_px: int = 1500,
    card: CardKind | None = None,
    ground: Ground | None = None,
    n_polyps: int | None = None,
    looks: Looks = TAUGHT,
) -> Scene:
    """Return a varied plate: any ground, colours, distractors, card, pose and light.

    Parameters
    ----------
    rng : numpy.random.Generator
    card, ground, n_polyps
        Fixed where given, else by chance.
    looks : Looks
        What chance chooses from.
    """
    kind = card or CARD_KINDS[rng.choice(3, p=(0.35, 0.45, 0.2))]
    window = card_layout(kind).window
    cards: tuple[SmallCard, ...] = ()
    taken: list[np.ndarray] = []
    plate = (0.0, 0.0, 180.0, 140.0)
    if window is None:
        width, height = rng.uniform(130, 200), rng.uniform(110, 170)
        x, y = -rng.uniform(5, width - 95), -rng.uniform(5, height - 65)
        plate = (_round(x), _round(y), _round(width), _round(height))
        cards = (SmallCard(),)
        taken = [np.array([ID1_MM[0] * part, ID1_MM[1] / 2, 33.0]) for part in (0.25, 0.5, 0.75)]
        box = (plate[0], plate[1], plate[0] + plate[2], plate[1] + plate[3])
    else:
        box = (window.x, window.y, window.x + window.width, window.y + window.height)
    count = int(
        rng.choice(
            [rng.integers(0, 7), rng.integers(5, 18), rng.integers(8, 25), rng.integers(15, 41)]
        )
    )
    upright = rng.random() < 0.35
    size = (height_px, width_px) if upright else (width_px, height_px)
    camera = Camera(
        width_px=size[0],
        height_px=size[1],
        focal_px=_round(max(size) * rng.uniform(0.9, 1.6)),
        tilt_deg=_round(45 * rng.random() ** 1.7),
        tilt_towards_deg=_round(rng.uniform(0, 360)),
        roll_deg=_round(_roll(rng, box, size)),
        defocus_px=_round(rng.uniform(0.4, 1.3)),
        noise=_round(rng.uniform(0.5, 3.0)),
        vignette=_round(rng.uniform(0, 0.3)),
    )
    card_size = card_layout(kind).size_mm
    shown = (min(box[0], 0), min(box[1], 0), max(box[2], card_size[0]), max(box[3], card_size[1]))
    start = datetime(2024, 1, 1, 9, tzinfo=UTC)
    return Scene(
        photo=photo,
        plate=int(rng.integers(1, 10000)),
        card=kind,
        ground=ground or looks.grounds[rng.integers(len(looks.grounds))],
        ground_seed=_seed(rng),
        plate_x_mm=plate[0],
        plate_y_mm=plate[1],
        plate_width_mm=plate[2],
        plate_height_mm=plate[3],
        taken_at=start + timedelta(minutes=int(rng.integers(0, 500_000))),
        orientation=int(rng.choice([1, 1, 1, 3, 6, 8])),
        jpeg_quality=int(rng.integers(75, 96)),
        seed=_seed(rng),
        camera=frame_camera(camera, shown, fill=_round(rng.uniform(0.9, 0.99))),
        light=random_light(rng),
        cards=cards,
        polyps=random_polyps(rng, box, count if n_polyps is None else n_polyps, taken, looks),
        furniture=_furniture(rng, box, taken, looks.things),
    )
