"""Are bad photos refused or flagged with the right remedy, and good ones left alone?

Each plate is drawn once well, and then spoiled in every way that a photo can be: by what its lens,
light, water or hand would do to it. How bad is bad enough is said beside each way.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import LINEAR_OF_CODE, to_codes
from polypvision.card.layout import card_layout
from polypvision.errors import PolypvisionError
from polypvision.evaluate.drawn import (
    as_stored,
    beside_card,
    frame_plate,
    plate_seed,
    small_card_scene,
)
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, PlateReading
from polypvision.render.chance import random_polyps
from polypvision.render.noise import cloud
from polypvision.render.photo import RenderedPhoto, render_scene
from polypvision.render.scene import Camera, Scene
from polypvision.spread import Show, spread

Picture = NDArray[np.uint8]
Linear = NDArray[np.float32]

_WIDTH_PX, _HEIGHT_PX = 1600, 1200
_JPEG_QUALITY = 90
_GLARE_PART = 0.12
"""Part of a disc that a reflection covers: three times what is flagged."""


@dataclass(frozen=True, kw_only=True)
class Way:
    """A way in which a photo is spoiled.

    Attributes
    ----------
    name : str
        In words, with how bad it is.
    answers : frozenset of str
        Flags and kinds of refusal whose remedy is the right one. That of a card which is not
        seen at all ('no-card') says to go closer, too.
    """

    name: str
    answers: frozenset[str]


WAYS: dict[str, Way] = {
    key: Way(name=name, answers=frozenset(answers.split()))
    for key, name, answers in (
        ("blurred", "out of focus, edges 1 to 4 mm wide", "soft blurred"),
        ("shaken", "shaken by 1.5 to 4 mm", "soft blurred"),
        ("coarse", "2 to 4.5 pixels per mm", "coarse small-card"),
        ("far", "0.7 to 1.8 pixels per mm", "coarse small-card no-card"),
        ("tilted", "tilted by 42 to 58 degrees", "tilted"),
        ("glare", "a reflection on one polyp", "glare"),
        ("overexposed", "4 to 12 times too bright", "bright overexposed"),
        ("dark", "paper at 0.3 to 4 % of full light", "dim dark"),
        ("cast", "two channels at 2 to 8 % of the third", "colour-cast"),
        ("rippled", "ripples that move places by 0.3 to 1 mm", "bent-card"),
        ("far-card", "polyps 220 mm and more from a small card", "card-far"),
        ("unmeasured", "bar of the card not measured", "print-scale-unknown"),
    )
}


def good_scene(seed: int) -> Scene:
    """Return a plate beside a small card, drawn as it should be photographed."""
    rng = np.random.default_rng([seed, 41])
    box = beside_card(float(rng.uniform(90, 120)), float(rng.uniform(75, 95)), -10.0)
    camera = Camera(
        width_px=_WIDTH_PX,
        height_px=_HEIGHT_PX,
        focal_px=float(rng.uniform(1.0, 1.3) * _WIDTH_PX),
        tilt_deg=float(rng.uniform(0, 22)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.normal(0, 6)) % 360,
        defocus_px=float(rng.uniform(0.4, 1.0)),
        noise=float(rng.uniform(0.5, 2.0)),
        vignette=0.1,
    )
    framed = frame_plate(camera, box, fill=0.9)
    scene = small_card_scene(seed, rng, box, framed, int(rng.integers(4, 9)))
    exposure, blue = rng.uniform(0.55, 0.95), rng.uniform(0, 0.5)
    return replace(scene, light=replace(scene.light, exposure=float(exposure), blue=float(blue)))


def _at_scale(scene: Scene, px_per_mm: float) -> Scene:
    """The same plate from farther away, or by a coarser sensor: so many pixels per mm."""
    camera = scene.camera
    distance = camera.focal_px / px_per_mm
    return replace(scene, camera=replace(camera, distance_mm=distance, defocus_px=0.6))


def _tilted(scene: Scene, rng: np.random.Generator) -> Scene:
    camera = replace(scene.camera, tilt_deg=float(rng.uniform(42, 58)))
    return replace(scene, camera=frame_plate(camera, scene.plate_box_mm, fill=0.9))


def _card_far(scene: Scene, rng: np.random.Generator) -> Scene:
    """A long tray with its polyps 220 mm and more away from the card, at its other end."""
    box = beside_card(324.0, 85.0, -10.0)
    left, top, right, bottom = box
    camera = replace(scene.camera, width_px=2400, height_px=900, roll_deg=0.0, defocus_px=0.6)
    return replace(
        scene,
        plate_width_mm=right - left,
        plate_height_mm=bottom - top,
        camera=frame_plate(camera, box, fill=0.95),
        polyps=random_polyps(rng, (left + 214.0, top, right, bottom), 3),
    )


def _developed(linear: Linear, rng: np.random.Generator) -> Picture:
    """Codes of linear light, with the noise that a sensor adds to so little of it."""
    spread = np.sqrt(np.maximum(linear, 0) * np.float32(2e-5) + np.float32(1.5e-6))
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    return to_codes(np.clip(linear + noise * spread, 0, None))


def _shake(linear: Linear, length_px: float, angle: float) -> Linear:
    """Smear along a straight way."""
    half = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for part in np.linspace(-0.5, 0.5, 8 * half):
        x, y = half + part * length_px * np.cos(angle), half + part * length_px * np.sin(angle)
        kernel[round(y), round(x)] += 1
    return np.asarray(cv2.filter2D(linear, -1, kernel / kernel.sum()), np.float32)


def _ripple(linear: Linear, rms_px: float, rng: np.random.Generator, wave_px: float) -> Linear:
    """Move places by the slope of a wavy surface, as refraction does."""
    height = cloud(linear.shape[:2], wave_px, rng, octaves=1)
    slope = np.stack([np.gradient(height, axis=1), np.gradient(height, axis=0)])
    slope *= rms_px / np.sqrt(np.mean(np.sum(slope**2, axis=0)))
    rows, columns = np.indices(linear.shape[:2], np.float32)
    moved = cv2.remap(
        linear,
        (columns + slope[0]).astype(np.float32),
        (rows + slope[1]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(moved, np.float32)


def _glare(linear: Linear, photo: RenderedPhoto, scene: Scene, rng: np.random.Generator) -> Linear:
    """Lay a round reflection over part of one polyp."""
    spec = scene.polyps[rng.integers(len(scene.polyps))]
    [place] = photo.to_photo(np.array([[spec.x_mm, spec.y_mm]]))
    radius = 0.5 * spec.diameter_mm * np.sqrt(_GLARE_PART) / photo.mm_per_px(*place)
    rows, columns = np.indices(linear.shape[:2], np.float32)
    far = np.hypot(columns - place[0], rows - place[1]) / radius
    return np.asarray(linear + 3.0 * np.exp(-(far**6))[..., None], np.float32)


def _spoiled(key: str, scene: Scene, photo: RenderedPhoto, rng: np.random.Generator) -> Picture:
    """Return a photo of the plate, spoiled in one way."""
    if key in ("coarse", "far"):
        density = rng.uniform(2.0, 4.5) if key == "coarse" else rng.uniform(0.7, 1.8)
        return render_scene(_at_scale(scene, float(density)), rng).rgb
    if key == "tilted":
        return render_scene(_tilted(scene, rng), rng).rgb
    if key == "far-card":
        return render_scene(_card_far(scene, rng), rng).rgb
    if key == "unmeasured":
        return photo.rgb
    linear = np.asarray(LINEAR_OF_CODE[photo.rgb], np.float32)
    left, top, right, bottom = scene.plate_box_mm
    middle = photo.to_photo(np.array([[(left + right) / 2, (top + bottom) / 2]]))[0]
    px_per_mm = 1 / photo.mm_per_px(*middle)
    if key == "blurred":
        sigma = rng.uniform(1.0, 4.0) * px_per_mm / 2.563
        linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), float(sigma)), np.float32)
    elif key == "shaken":
        length = float(rng.uniform(1.5, 4.0) * px_per_mm)
        linear = _shake(linear, length, float(rng.uniform(0, np.pi)))
    elif key == "glare":
        linear = _glare(linear, photo, scene, rng)
    elif key == "overexposed":
        linear = linear * np.float32(rng.uniform(4, 12))
    elif key == "dark":
        level = np.exp(rng.uniform(np.log(0.003), np.log(0.04)))
        linear = linear * np.float32(level / scene.light.exposure)
    elif key == "cast":
        left_over = rng.uniform(0.02, 0.08, 3)
        left_over[rng.integers(3)] = 1.0
        linear = linear * left_over.astype(np.float32)
    elif key == "rippled":
        # Waves of 15 to 40 mm, so that a card holds some of them.
        rms, wave = rng.uniform(0.3, 1.0) * px_per_mm, rng.uniform(15, 40) * px_per_mm
        linear = _ripple(linear, float(rms), rng, float(wave))
    return _developed(linear, rng)


def said_of(rgb: Picture, *, bar_measured: bool = True) -> set[str]:
    """Return all that reading says of a photo: flags of it and its polyps, or why it is refused."""
    bar = card_layout("small").bar_mm if bar_measured else None
    try:
        reading = read_plate(
            as_stored(rgb, _JPEG_QUALITY),
            PhotoFacts(photo="", sha256=""),
            ReadSettings(bar_mm=bar),
        )
    except PolypvisionError as error:
        return {error.kind}
    return _flags(reading)


def _flags(reading: PlateReading) -> set[str]:
    return {*reading.flags, *(flag for polyp in reading.polyps for flag in polyp.flags)}


@dataclass(frozen=True, kw_only=True)
class GateScores:
    """What was said of good and of spoiled photos.

    Attributes
    ----------
    good : tuple of sets of str
        Of each good photo.
    spoiled : mapping of str to tuple of sets of str
        By the way in which they were spoiled.
    """

    good: tuple[frozenset[str], ...]
    spoiled: dict[str, tuple[frozenset[str], ...]]

    def caught(self, key: str) -> int:
        """Return of how many photos spoiled in one way the right thing was said."""
        return sum(bool(WAYS[key].answers & said) for said in self.spoiled[key])

    @property
    def false_alarms(self) -> int:
        """Good photos of which any such thing was said."""
        return sum(bool(said & COMPLAINTS) for said in self.good)


COMPLAINTS = frozenset().union(*(way.answers for way in WAYS.values())) | {"no-card", "half-card"}
"""Everything that must not be said of a good photo whose card was measured."""


def _try(number: int, seed: int, ways: Sequence[str]) -> dict[str, frozenset[str]]:
    """Return what is said of one plate, drawn well ('') and spoiled in each way."""
    scene = good_scene(plate_seed(seed, number))
    photo = render_scene(scene, np.random.default_rng(scene.seed))
    said = {"": frozenset(said_of(photo.rgb))}
    for key in ways:
        # Each way has a chance of its own, whichever others are tried.
        rng = np.random.default_rng([scene.seed, list(WAYS).index(key)])
        picture = _spoiled(key, scene, photo, rng)
        said[key] = frozenset(said_of(picture, bar_measured=key != "unmeasured"))
    return said


def score_gates(
    count: int,
    *,
    seed: int = 0,
    ways: Sequence[str] = tuple(WAYS),
    jobs: int = 1,
    show: Show | None = None,
) -> GateScores:
    """Draw plates, each once well and once spoiled in every way, and read them.

    Parameters
    ----------
    count : int
    seed : int
    ways : sequence of str
        Of `WAYS`.
    jobs : int
        Processes to spread over.
    show : callable, optional
        Called with the number of plates done.
    """
    work = partial(_try, seed=seed, ways=ways)
    said = spread(work, range(count), jobs=jobs, show=show)
    return GateScores(
        good=tuple(one[""] for one in said),
        spoiled={key: tuple(one[key] for one in said) for key in ways},
    )


def gates_record(scores: GateScores) -> dict[str, Any]:
    """Return the figures, and what was said of each photo, as plain JSON values."""
    return {
        "good": len(scores.good),
        "false_alarms": scores.false_alarms,
        "good_said": [sorted(said) for said in scores.good],
        "spoiled": {
            key: {
                "photos": len(said),
                "caught": scores.caught(key),
                "said": [sorted(one) for one in said],
            }
            for key, said in scores.spoiled.items()
        },
    }


def gates_lines(scores: GateScores) -> list[str]:
    """Return the figures as lines to print."""
    lines = [f"{'photos made unusable':52s}{'photos':>8s}{'right remedy':>14s}"]
    for key, said in scores.spoiled.items():
        share = 100 * scores.caught(key) / max(len(said), 1)
        lines.append(f"{WAYS[key].name:52s}{len(said):8d}{share:12.1f} %")
    share = 100 * scores.false_alarms / max(len(scores.good), 1)
    return [*lines, f"{'good photos complained of':52s}{len(scores.good):8d}{share:12.1f} %"]
