"""Is a photo good enough? Sharpness, light, plane and distance, each with its remedy.

A photo is refused only where its numbers would mislead; else it is flagged.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.beside import in_strips
from polypvision.calibrate.colour import LightFit
from polypvision.calibrate.markers import (
    MODULES,
    Marker,
    seen_enlarged,
    seen_mirrored,
    seen_sharpened,
    sharpest_edge_px,
)
from polypvision.card.code import MarkerPlace, plate_codes
from polypvision.errors import (
    CardError,
    CardMirrored,
    CardMissing,
    CardTooSmall,
    PhotoBlurred,
    PhotoDark,
    PhotoOverexposed,
    QualityError,
)

_STRIP_PX = 128
TILT_FLAG_DEG = 35.0
COARSE_PX_PER_MM = 5.0
"""Five pixels across a mouth of 1 mm (sampling, Nyquist with margin; own choice)."""
_SOFT_MM, _BLURRED_MM = 0.7, 1.8
"""Edge widths (10-90 %): a mouth of 1 mm fades beyond the first, is gone beyond the second. Two
Gaussian spots blend into one nearer than 2 sigma (Sparrow), which is 0.78 edge widths."""
_BLURRED_SHARE = 0.006
"""Edge width against the photo's longer side, in the direction in which they are widest, beyond
which a photo without a card is blurred: a card that fills half of it would lose its modules."""
_SMALL_MODULE_PX = 3.0
"""A marker's module with fewer pixels is not read surely."""
_SMEARED_MODULES = 0.5
"""Edge width in modules beyond which markers that are large enough are lost to blur (own choice: of
drawn cards the edges of readable ones are up to 0.8 wide, of sharp ones 0.2)."""
_BRIGHT_SHARE, _OVEREXPOSED_SHARE = 0.05, 0.5
_CLIPPED_CODE = 250
_PALE_CODE = 180
"""What is as pale as that in the balanced view is white or a reflection; a fluorescent polyp that
fills one channel is not."""
_BRIGHT_LEVEL = 1.4
"""Light of paper, 1 being the most that a photo holds, at which a fresh wound is white, too."""
_DIM_LEVEL = 0.06
_DARK_CONTRAST = 0.012
"""Light of paper, and of paper less ink: tissue is ten times darker, and then one or two of 255
steps away from black (own choices)."""
_BENT_MM, _BENT_PX = 0.12, 0.6
"""Standard deviation of the corners from one plane, beyond what blur, noise and a phone's lens do
to a sharp flat card."""

_BEYOND_SHARE = 0.1
"""Part of a photo beyond the card's reach in which a polyp would be left out silently."""


def clipped_places(raw: NDArray[np.uint8], balanced: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return where (H, W) a view is pure white, by a reflection or by too much light.

    Parameters
    ----------
    raw, balanced : ndarray (H, W, 3) of uint8
        Before and after colour balance. Before, the lamp's strongest channel is full; after, all
        are high.
    """
    clipped = np.empty(raw.shape[:2], np.bool_)

    def look_at_strip(rows: slice) -> None:
        not_full = cv2.inRange(raw[rows], (0,) * 3, (_CLIPPED_CODE - 1,) * 3)
        pale = cv2.inRange(balanced[rows], (_PALE_CODE,) * 3, (255,) * 3)
        np.greater(pale, not_full, out=clipped[rows])

    in_strips(len(raw), _STRIP_PX, look_at_strip)
    return clipped


def overexposed(share: float) -> PhotoOverexposed:
    """Return the refusal of a photo of which so much (0 to 1) is pure white."""
    return PhotoOverexposed(
        f"{share:.0%} of the picture is pure white, so no polyp can be told from the ground; "
        "lower the exposure (tap a bright spot on the screen) and take it again."
    )


def light_flags(
    light: LightFit | None, clipped: NDArray[np.bool_], valid: NDArray[np.bool_]
) -> set[str]:
    """Judge exposure and colour.

    Parameters
    ----------
    light : LightFit or None
        As measured on the card.
    clipped, valid : ndarray (H, W) of bool
        Where the view is pure white, and where it shows the plate.

    Raises
    ------
    PhotoOverexposed, PhotoDark
    """
    flags: set[str] = set()
    share = int(np.count_nonzero(clipped & valid)) / max(int(np.count_nonzero(valid)), 1)
    if share > _OVEREXPOSED_SHARE:
        raise overexposed(share)
    if share > _BRIGHT_SHARE:
        flags.add("bright")
    if light is None:
        return flags | {"no-colour-reference"}
    if light.grey_clipped:
        raise PhotoOverexposed(
            "Even the card's grey patch is pure white, so neither wounds nor colours can be seen; "
            "lower the exposure (tap a bright spot on the screen) and take it again."
        )
    if light.contrast < _DARK_CONTRAST:
        raise PhotoDark(
            "The card's white is hardly brighter than its black; add light or expose longer."
        )
    if light.level > _BRIGHT_LEVEL:
        flags.add("bright")
    if light.level < _DIM_LEVEL:
        flags.add("dim")
    if light.capped:
        flags.add("colour-cast")
    return flags


def sharpness_flags(edge_width_mm: float) -> set[str]:
    """Judge sharpness by the 10-90 % width of the card's edges; NaN says nothing.

    Raises
    ------
    PhotoBlurred
    """
    if edge_width_mm > _BLURRED_MM:
        raise PhotoBlurred(
            f"The card's edges are smeared over {edge_width_mm:.1f} mm, so mouths and wounds "
            "cannot be seen; focus on the plate, hold still and take it again."
        )
    return {"soft"} if edge_width_mm > _SOFT_MM else set()


def plane_flags(noise_px: float, mm_per_px: float, tilt_deg: float) -> set[str]:
    """Judge the plane: how far the card's corners are from it, and how it is seen.

    Parameters
    ----------
    noise_px : float
        Standard deviation of a corner's coordinate about the fitted plane.
    mm_per_px, tilt_deg : float
        At the middle of the view.
    """
    flags: set[str] = set()
    if noise_px > _BENT_PX and noise_px * mm_per_px > _BENT_MM:
        flags.add("bent-card")
    if tilt_deg > TILT_FLAG_DEG:
        flags.add("tilted")
    if mm_per_px > 1 / COARSE_PX_PER_MM:
        flags.add("coarse")
    return flags


def reach_flags(beyond: float) -> set[str]:
    """Judge by the part of the photo (0 to 1) that lies too far from the card to be read."""
    return {"card-far"} if beyond > _BEYOND_SHARE else set()


def _module_px(markers: Sequence[Marker]) -> float:
    """Median side of a marker's module in the photo, pixels; NaN without markers."""
    sides = [
        float(np.linalg.norm(np.roll(m.corners_xy, -1, axis=0) - m.corners_xy, axis=1).mean())
        for m in markers
    ]
    return float(np.median(sides)) / MODULES if sides else float("nan")


def _smeared_px(markers: Sequence[Marker]) -> float:
    """Return how wide (pixels) the edges of markers are that would read if sharp; 0 if sharp."""
    width_px = float(np.median([m.edge_width_px for m in markers])) if markers else float("nan")
    module_px = _module_px(markers)
    wide = module_px > 2 * _SMALL_MODULE_PX and width_px > _SMEARED_MODULES * module_px
    return width_px if wide else 0.0


def _more_seen(places: Sequence[MarkerPlace], markers: Sequence[Marker]) -> bool:
    """Tell whether another look shows a card, and more of it than was read."""
    return bool(plate_codes(places)) and len(places) > len(markers)


def _blurred(edge_px: float) -> PhotoBlurred:
    return PhotoBlurred(
        "The photo is so blurred that its card cannot be read (edges smeared over "
        f"{edge_px:.0f} pixels or more). Focus on the plate, hold still and take it again."
    )


def why_unreadable(
    rgb: NDArray[np.uint8], markers: Sequence[Marker]
) -> CardError | QualityError | None:
    """Return why too few markers agree on a card, where looking once more can tell.

    What is tried is what would help: the mirror image, a sharpened and an enlarged picture.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.
    markers : sequence of Marker
        Those that were read.
    """
    if plate_codes(seen_mirrored(rgb)):
        return CardMirrored(
            "The photo is mirrored: its card reads only in the mirror. Turn mirroring off in "
            "the camera's settings (front cameras do it) and take it again."
        )
    clipped = float((rgb.min(axis=2) >= _CLIPPED_CODE).mean())
    if clipped > _OVEREXPOSED_SHARE:
        return overexposed(clipped)
    if np.percentile(rgb.max(axis=2), 99) < 30:
        return PhotoDark("The photo is nearly black; add light or expose longer.")
    if smeared_px := _smeared_px(markers):
        return _blurred(smeared_px)
    if _more_seen(seen_enlarged(rgb), markers) or _module_px(markers) < _SMALL_MODULE_PX:
        return CardTooSmall(
            "The card is so small in the picture that it hardly reads; go closer, so that card "
            "and polyps fill the picture, or print a larger card."
        )
    edge_px = sharpest_edge_px(rgb)
    smeared = not markers and edge_px > _BLURRED_SHARE * max(rgb.shape)
    if smeared or _more_seen(seen_sharpened(rgb), markers):
        return _blurred(edge_px)
    if markers:
        return None
    return CardMissing(
        "No reference card was found; lay a printed card flat beside the polyps, whole, sharp "
        "and free of glare, go closer if it is small in the picture, or give the scale with "
        "--mm-per-px."
    )
