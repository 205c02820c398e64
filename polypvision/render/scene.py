"""A scene: all that is needed to paint one photo of one plate, as plain frozen values.

Lengths are in mm in plate coordinates (origin at the card's first corner, x right, y down);
angles in degrees, counted from x towards y. Every field is a column of the scene's tables.
"""

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, get_args

from polypvision.card.code import CODE_MAX
from polypvision.card.layout import SMALL_COPIES, CardKind, card_layout
from polypvision.errors import TableError

Shape = Literal["disc", "oval", "hourglass", "half", "quarter", "margin"]
Texture = Literal["ridges", "bubbles", "velvet", "warts", "net"]
Morph = Literal[
    "rust", "green", "teal", "purple", "bicolour", "brown", "blue", "pink", "gold", "ink"
]
Ground = Literal["mat", "grey-tile", "white-tile", "egg-crate", "slate", "terrazzo"]
FurnitureKind = Literal[
    "plug", "tile", "grid", "glue", "snail", "bubble", "algae", "rubble", "cover", "hub"
]

SHAPES: tuple[Shape, ...] = get_args(Shape)
TEXTURES: tuple[Texture, ...] = get_args(Texture)
MORPHS: tuple[Morph, ...] = get_args(Morph)
GROUNDS: tuple[Ground, ...] = get_args(Ground)
FURNITURE: tuple[FurnitureKind, ...] = get_args(FurnitureKind)

HELD_OUT = frozenset({"net", "gold", "ink", "slate", "terrazzo", "hub"})
"""Looks that no lesson ever shows, so that a reader can be judged on what it has not learned
(`polypvision.evaluate.heldout`)."""
LEAST_VISIBLE = 0.35
"""A polyp of which less is seen does not count: nobody could tell what it is."""


def _check(what: str, values: Any, limits: dict[str, tuple[float, float]]) -> None:
    for name, (low, high) in limits.items():
        value = getattr(values, name)
        if not (math.isfinite(value) and low <= value <= high):
            raise TableError(
                f"{what}: {name} is {value}, not between {low:g} and {high:g}; correct the table."
            )


def _check_word(what: str, name: str, value: str, words: tuple[str, ...]) -> None:
    if value not in words:
        raise TableError(f"{what}: {name} is {value!r}; choose from {', '.join(words)}.")


@dataclass(frozen=True, kw_only=True)
class PolypSpec:
    """One polyp.

    Attributes
    ----------
    name : str
        Who it is, through all photos of its plate.
    x_mm, y_mm : float
        Centroid of the planform.
    diameter_mm : float
        Diameter of the circle with the planform's area.
    shape : {'disc', 'oval', 'hourglass', 'half', 'quarter', 'margin'}
    angle_deg : float
        Of the long axis, or of the middle of a piece's old rim (its cut looks the other way).
    aspect : float
        Length by width of an oval.
    waist : float
        Width of an hourglass's waist as a part of its lobes' diameter.
    lobes, lobe_depth : int, float
        Scallops of the margin, and their depth as a part of the radius.
    wobble : float
        Irregularity of the outline as a part of the radius.
    roundness : float
        0 a piece as cut, 1 healed to a disc.
    morph, texture : str
        Colours and relief.
    vigour : float
        0 bleached, 1 full colour.
    mouths, mouth_gap_mm, mouth_length : int, float, float
        How many, how far apart, and each one's length as a part of the diameter.
    wound_mm2 : float
        Pale exposed tissue along the cut edge.
    seed : int
        Chance in this polyp's looks; the same on every date.
    """

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    shape: Shape = "disc"
    angle_deg: float = 0.0
    aspect: float = 1.25
    waist: float = 0.7
    lobes: int = 0
    lobe_depth: float = 0.03
    wobble: float = 0.02
    roundness: float = 0.0
    morph: Morph = "rust"
    texture: Texture = "ridges"
    vigour: float = 1.0
    mouths: int = 1
    mouth_gap_mm: float = 0.0
    mouth_length: float = 0.14
    wound_mm2: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        what = f"polyp {self.name!r}"
        _check_word(what, "shape", self.shape, SHAPES)
        _check_word(what, "morph", self.morph, MORPHS)
        _check_word(what, "texture", self.texture, TEXTURES)
        _check(
            what,
            self,
            {
                "x_mm": (-1000, 1000),
                "y_mm": (-1000, 1000),
                "diameter_mm": (2, 300),
                "angle_deg": (-360, 360),
                "aspect": (1, 2.5),
                "waist": (0.15, 1),
                "lobes": (0, 60),
                "lobe_depth": (0, 0.12),
                "wobble": (0, 0.08),
                "roundness": (0, 1),
                "vigour": (0, 1),
                "mouths": (0, 8),
                "mouth_gap_mm": (0, self.diameter_mm),
                "mouth_length": (0.10, 0.19),
                "wound_mm2": (0, 0.6 * math.pi * self.diameter_mm**2 / 4),
                "seed": (0, 2**31),
            },
        )
        if self.mouths > 1 and self.mouth_gap_mm < self.mouth_length * self.diameter_mm:
            raise TableError(
                f"{what}: {self.mouths} mouths {self.mouth_gap_mm:g} mm apart would run into "
                f"one; set mouth_gap_mm to at least {self.mouth_length * self.diameter_mm:.2f}."
            )


@dataclass(frozen=True, kw_only=True)
class FurnitureSpec:
    """Something on the plate that is no polyp.

    Attributes
    ----------
    kind : str
        'plug' round, 'tile' square, 'grid' egg-crate, 'glue' blob, 'snail', 'bubble', 'algae'
        tuft, 'rubble', 'hub' a plug with a hole and spokes, or 'cover': an opaque dark thing,
        such as a hose across the card.
    size_mm : float
        Its greatest width.
    tint : float
        0 plain, 1 the most coloured of its kind.
    """

    kind: FurnitureKind
    x_mm: float
    y_mm: float
    size_mm: float
    angle_deg: float = 0.0
    tint: float = 0.5
    seed: int = 0

    def __post_init__(self) -> None:
        _check_word("furniture", "kind", self.kind, FURNITURE)
        what = f"{self.kind} at {self.x_mm:g}, {self.y_mm:g}"
        limits = {
            "x_mm": (-1000.0, 1000.0),
            "y_mm": (-1000.0, 1000.0),
            "size_mm": (0.5, 200.0),
            "angle_deg": (-360.0, 360.0),
            "tint": (0.0, 1.0),
            "seed": (0.0, 2.0**31),
        }
        _check(what, self, limits)


@dataclass(frozen=True, kw_only=True)
class SmallCard:
    """A small card on the plate: copy 0, 1, 2 (A, B, C), its first corner and its turn."""

    copy: int = 0
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        limits = {
            "copy": (0.0, SMALL_COPIES - 1.0),
            "x_mm": (-1000.0, 1000.0),
            "y_mm": (-1000.0, 1000.0),
            "angle_deg": (-360.0, 360.0),
        }
        _check("card", self, limits)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A camera that looks at a point of the plate: a pinhole, and a lens that may bend.

    Attributes
    ----------
    width_px, height_px : int
        Of the upright photo.
    focal_px, distance_mm : float
        Focal length, and distance to the point looked at.
    target_x_mm, target_y_mm : float
        That point; it appears in the middle of the photo.
    tilt_deg, tilt_towards_deg : float
        Angle off the vertical, and the side of the plate on which the camera stands.
    roll_deg : float
        Turn of the plate in the photo.
    defocus_px : float
        Standard deviation of the blur.
    noise : float
        1 a bright clean photo, 4 a dark noisy one.
    vignette : float
        Darkening in the corners.
    k1, k2 : float
        Radial distortion (Brown 1971): an ideal radius of r focal lengths becomes
        r (1 + k1 r^2 + k2 r^4).
    """

    width_px: int = 2000
    height_px: int = 1500
    focal_px: float = 2200.0
    distance_mm: float = 300.0
    target_x_mm: float = 0.0
    target_y_mm: float = 0.0
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    roll_deg: float = 0.0
    defocus_px: float = 0.6
    noise: float = 1.0
    vignette: float = 0.1
    k1: float = 0.0
    k2: float = 0.0

    def __post_init__(self) -> None:
        limits = {
            "width_px": (64.0, 8000.0),
            "height_px": (64.0, 8000.0),
            "focal_px": (100.0, 30000.0),
            "distance_mm": (30.0, 5000.0),
            "target_x_mm": (-1000.0, 1000.0),
            "target_y_mm": (-1000.0, 1000.0),
            "tilt_deg": (0.0, 60.0),
            "tilt_towards_deg": (-360.0, 360.0),
            "roll_deg": (-360.0, 360.0),
            "defocus_px": (0.0, 20.0),
            "noise": (0.0, 20.0),
            "vignette": (0.0, 0.8),
            "k1": (-0.5, 0.5),
            "k2": (-0.5, 0.5),
        }
        _check("camera", self, limits)


@dataclass(frozen=True, kw_only=True)
class Light:
    """The lamps over the plate.

    Attributes
    ----------
    blue : float
        0 white light, 1 almost only blue.
    exposure : float
        Brightness of white paper in the photo's brightest channel, linear, 1 being the limit.
    azimuth_deg, elevation_deg : float
        Where the main lamp stands.
    gradient : float
        Part of the light lost from the bright side of the plate to the other.
    glare : int
        Reflections of lamps in the water.
    caustics : float
        Strength of the net of light that ripples throw.
    """

    blue: float = 0.2
    exposure: float = 0.8
    azimuth_deg: float = 225.0
    elevation_deg: float = 55.0
    gradient: float = 0.15
    glare: int = 0
    caustics: float = 0.0

    def __post_init__(self) -> None:
        limits = {
            "blue": (0.0, 1.0),
            "exposure": (0.05, 3.0),
            "azimuth_deg": (-360.0, 360.0),
            "elevation_deg": (15.0, 90.0),
            "gradient": (0.0, 0.9),
            "glare": (0.0, 20.0),
            "caustics": (0.0, 1.0),
        }
        _check("light", self, limits)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One photo of one plate.

    Attributes
    ----------
    photo : str
        File name.
    plate : int
        Plate code, 1 to 9999.
    card : {'small', 'a5', 'a4'}
    ground : str
        One of `GROUNDS`.
    ground_seed : int
        Chance in the ground's looks; the same on every date.
    plate_x_mm, plate_y_mm, plate_width_mm, plate_height_mm : float
        The plate under small cards; a frame shows its window instead.
    taken_at : datetime
        With an offset from UTC.
    orientation : int
        EXIF orientation to store the photo with, 1 to 8.
    normal_mouths : int
        How many mouths are normal for the plate's line.
    seed : int
        Chance in the photo itself: noise, ripples, reflections.
    canvas_px_per_mm : float
        Pixels per mm at which the plane is painted; 0 takes what the photo needs. Give the same
        on every date of a plate, for then its ground and furniture look the same.
    disc_height_mm : float
        Of the plate, with all on it, above the plane of its card; negative if the card is higher.
    water_depth_mm : float
        Of the water above the plate, its surface parallel to it; 0 is none. A card higher than the
        surface is dry.
    port_mm : float
        From the lens to a pane square to the line of sight, all behind it in water; 0 is none.
    water_index : float
        Refractive index of the water.
    print_scale : float
        True size of the printed card by its size as drawn.
    """

    photo: str
    plate: int
    card: CardKind = "a5"
    ground: Ground = "grey-tile"
    ground_seed: int = 0
    plate_x_mm: float = -20.0
    plate_y_mm: float = -20.0
    plate_width_mm: float = 180.0
    plate_height_mm: float = 140.0
    taken_at: datetime
    orientation: int = 1
    jpeg_quality: int = 90
    normal_mouths: int = 1
    seed: int = 0
    canvas_px_per_mm: float = 0.0
    disc_height_mm: float = 0.0
    water_depth_mm: float = 0.0
    port_mm: float = 0.0
    water_index: float = 1.34
    print_scale: float = 1.0
    camera: Camera = field(default_factory=Camera)
    light: Light = field(default_factory=Light)
    cards: tuple[SmallCard, ...] = ()
    polyps: tuple[PolypSpec, ...] = ()
    furniture: tuple[FurnitureSpec, ...] = ()

    def __post_init__(self) -> None:
        what = f"photo {self.photo!r}"
        _check_word(what, "card", self.card, get_args(CardKind))
        _check_word(what, "ground", self.ground, GROUNDS)
        limits = {
            "plate": (1.0, float(CODE_MAX)),
            "ground_seed": (0.0, 2.0**31),
            "plate_width_mm": (20.0, 400.0),
            "plate_height_mm": (20.0, 400.0),
            "orientation": (1.0, 8.0),
            "jpeg_quality": (1.0, 100.0),
            "normal_mouths": (1.0, 8.0),
            "seed": (0.0, 2.0**31),
            "canvas_px_per_mm": (0.0, 24.0),
            "disc_height_mm": (-300.0, 300.0),
            "water_depth_mm": (0.0, 1000.0),
            "port_mm": (0.0, 500.0),
            "water_index": (1.0, 1.5),
            "print_scale": (0.8, 1.2),
        }
        _check(what, self, limits)
        if self.taken_at.utcoffset() is None:
            raise TableError(
                f"{what}: taken_at {self.taken_at} has no offset; add one like +10:00."
            )
        names = [polyp.name for polyp in self.polyps]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise TableError(f"{what}: polyps named twice: {', '.join(twice)}; rename one.")
        if self.card == "small":
            if not self.cards:
                raise TableError(f"{what}: small cards wanted but none placed; add a card row.")
            first = self.cards[0]
            if (first.x_mm, first.y_mm, first.angle_deg) != (0.0, 0.0, 0.0):
                raise TableError(
                    f"{what}: the first card lies at {first.x_mm:g}, {first.y_mm:g} mm; plate "
                    "coordinates start at its first corner, so give it 0, 0 and no turn."
                )
        elif self.cards:
            raise TableError(f"{what}: a frame takes no card rows; remove them or use 'small'.")

    @property
    def plate_box_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of the ground on which polyps sit."""
        window = card_layout(self.card).window
        if window is None:
            return (
                self.plate_x_mm,
                self.plate_y_mm,
                self.plate_x_mm + self.plate_width_mm,
                self.plate_y_mm + self.plate_height_mm,
            )
        return window.x, window.y, window.x + window.width, window.y + window.height
