"""Photo to PlateView: the card is found, the plane solved, the plate resampled and balanced."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.colour import LightFit, Locate, balance, measure_light
from polypvision.calibrate.gates import (
    COARSE_PX_PER_MM,
    clipped_places,
    light_flags,
    plane_flags,
    reach_flags,
    sharpness_flags,
    why_unreadable,
)
from polypvision.calibrate.lens import Lens, usual_lens
from polypvision.calibrate.look import Look, look_at
from polypvision.calibrate.markers import Marker, find_markers
from polypvision.calibrate.picture import Photo, Picture
from polypvision.calibrate.plane import CardCorners, tilt_deg
from polypvision.calibrate.resample import resample
from polypvision.calibrate.scale_inputs import NODES
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView, apply_homography
from polypvision.card.code import AGREEING, CardName, MarkerPlace, plate_codes
from polypvision.card.layout import CardLayout, card_layout
from polypvision.errors import (
    BarDoubtful,
    CardIncomplete,
    CardsOfTwoPlates,
    PolypvisionError,
)
from polypvision.reading import Points, Scale

PRINT_SCALE_ERR = 0.005
"""Relative standard uncertainty of a card whose printed bar nobody measured (own estimate:
"fit to page" printing is off by some percent and would show; paper and printer by tenths)."""
BAR_MM_ERR = 0.1
"""Standard uncertainty of a calliper reading of the printed bar, mm (own estimate)."""

_PRINT_SCALE_OFF = 0.15
"""Printers that fit a page to the paper shrink it by some percent; more is another bar."""
_REACH_MM = 200.0
"""How far beyond a small card its plane is trusted."""
_VIEW_MAX_MM = 420.0


def _cards_in(
    markers: Sequence[Marker], codes: Mapping[int, Sequence[MarkerPlace]]
) -> tuple[int, dict[CardName, list[Marker]], bool]:
    """Return the plate code, its cards with their markers, and whether stray markers lie about."""
    if len(codes) > 1:
        named = " and ".join(f"{code:04d}" for code in list(codes)[:2])
        raise CardsOfTwoPlates(
            f"Cards of plates {named} lie in one photo; photograph one plate at a time, or cover "
            "the other plate's card."
        )
    if not codes:
        most = max(
            (sum(other.place.card == one.place.card for other in markers) for one in markers),
            default=0,
        )
        total = len(card_layout(markers[0].place.card.kind).markers)
        raise CardIncomplete(
            f"Found {most} of the card's {total} markers that agree, need {AGREEING}; is a finger, "
            "glare or the picture's edge over the card?"
        )
    (code, agreeing), *_ = codes.items()
    cards: dict[CardName, list[Marker]] = {}
    own = set(agreeing)
    for marker in markers:
        if marker.place in own:
            cards.setdefault(marker.place.card, []).append(marker)
    return code, cards, len(own) < len(markers)


def _print_scale(layout: CardLayout, bar_mm: float | None) -> float:
    """Return true size by nominal size of a printed card."""
    if bar_mm is None:
        return 1.0
    scale = bar_mm / layout.bar_mm
    if abs(scale - 1) > _PRINT_SCALE_OFF:
        raise BarDoubtful(
            f"A bar of {bar_mm:g} mm was given, but this card's bar is {layout.bar_mm:g} mm as "
            "drawn; measure between the outer edges of the end lines of the bar in the photo."
        )
    return scale


def _corners(cards: dict[CardName, list[Marker]], print_scale: float) -> list[CardCorners]:
    observed = []
    for name, markers in cards.items():
        layout = card_layout(name.kind)
        observed.append(
            CardCorners(
                card_mm=np.concatenate(
                    [layout.markers[m.place.place].corners_xy * print_scale for m in markers]
                ),
                photo_px=np.concatenate([m.corners_xy for m in markers]),
            )
        )
    return observed


def _look(observed: Sequence[CardCorners], lens: Lens, surroundings: Surroundings) -> Look:
    try:
        return look_at(observed, lens, surroundings)
    except ValueError as error:
        raise CardIncomplete(
            "The visible markers of the card do not span a plane; uncover more of it."
        ) from error


def _clip_to(polygon: Points, low: Points, high: Points) -> tuple[Points, Points]:
    """Corners of the polygon's bounding box, kept within low and high."""
    return np.maximum(polygon.min(axis=0), low), np.minimum(polygon.max(axis=0), high)


def _window_seen(look: Look, layout: CardLayout, print_scale: float) -> Points | None:
    """Corners of a frame's opening where they are seen in the plane of the discs, mm."""
    if layout.window is None:
        return None
    corners = layout.window.corners_xy * print_scale
    return corners if look.sight is None else look.to_plate(look.card_to_photo(corners))


def _extent(
    shape: tuple[int, int], look: Look, layout: CardLayout, print_scale: float
) -> tuple[Points, Points]:
    """Return the measured area (low corner, high corner) in plate mm."""
    window = _window_seen(look, layout, print_scale)
    if window is not None:
        return window.min(axis=0), window.max(axis=0)
    height, width = shape
    frame = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    card = layout.size_mm
    low: Points = np.array([-_REACH_MM, -_REACH_MM])
    high: Points = np.array([card[0] + _REACH_MM, card[1] + _REACH_MM])
    shown = look.to_plate(frame)
    # Corners of the photo beyond the horizon have no place on the plate.
    if _all_ahead(look, frame) and np.isfinite(shown).all():
        low, high = _clip_to(shown, low, high)
    middle: Points = np.array(card) / 2
    half = _VIEW_MAX_MM / 2
    return np.maximum(low, middle - half), np.minimum(high, middle + half)


def _share_beyond(
    shape: tuple[int, int], look: Look, layout: CardLayout, low: Points, high: Points
) -> float:
    """Return the part of the photo that shows the plate's plane outside the measured area.

    A frame says itself where its plate ends.
    """
    if layout.window is not None:
        return 0.0
    height, width = shape
    x, y = np.meshgrid(np.linspace(0, width - 1, 33), np.linspace(0, height - 1, 25))
    places = look.to_plate(np.column_stack([x.ravel(), y.ravel()]))
    inside = ((places >= low) & (places <= high)).all(axis=1)
    return float(1 - inside.mean())


def _all_ahead(look: Look, photo_px: Points) -> bool:
    back = np.asarray(np.linalg.inv(look.plane.plate_to_photo), np.float64)
    weight = (np.column_stack([photo_px, np.ones(len(photo_px))]) @ back.T)[:, 2]
    return bool((weight * back[2, 2] > 0).all())


def _cover_cards(
    valid: NDArray[np.bool_], low: Points, look: Look, layouts: Sequence[CardLayout], scale: float
) -> None:
    """Take what is no plate out of the measured area: small cards, with a margin, and a frame."""
    mask = valid.astype(np.uint8)
    for layout, pose in zip(layouts, look.card_poses, strict=True):
        if layout.window is not None:
            continue
        width, height = (side * scale for side in layout.size_mm)
        margin = 1.0
        corners = np.array(
            [
                [-margin, -margin],
                [width + margin, -margin],
                [width + margin, height + margin],
                [-margin, height + margin],
            ]
        )
        placed = apply_homography(pose, corners)
        if look.sight is not None:
            placed = look.to_plate(look.card_to_photo(placed))
        cv2.fillConvexPoly(mask, np.round((placed - low) * VIEW_PX_PER_MM).astype(np.int32), 0)
    window = _window_seen(look, layouts[0], scale)
    if look.sight is not None and window is not None:
        inside = np.zeros_like(mask)
        cv2.fillConvexPoly(inside, np.round((window - low) * VIEW_PX_PER_MM).astype(np.int32), 1)
        mask &= inside
    valid[:] = mask.astype(np.bool_)


def _measure_light(
    picture: Picture,
    look: Look,
    cards: dict[CardName, list[Marker]],
    print_scale: float,
) -> LightFit | None:
    """Measure the light on all cards; its plane is in the first card's nominal mm."""
    shrink = np.diag([print_scale, print_scale, 1.0])

    def way(pose: NDArray[np.float64]) -> Locate:
        if look.sight is None:
            whole = look.plane.plate_to_photo @ pose @ shrink
            return partial(apply_homography, picture.from_photo @ whole)
        return lambda points: picture.own_px(
            look.card_to_photo(apply_homography(pose @ shrink, points))
        )

    def to_plate(own_px: Points) -> Points:
        photo_px = picture.photo_px(own_px)
        if look.sight is None:
            own = look.plane.plate_to_photo @ look.card_poses[0] @ shrink
            return apply_homography(np.asarray(np.linalg.inv(own), np.float64), photo_px)
        return look.card_from_photo(photo_px) / print_scale

    return measure_light(
        picture.rgb,
        [
            (card_layout(name.kind), way(pose))
            for name, pose in zip(cards, look.card_poses, strict=True)
        ],
        [(index, m.place.place) for index, found in enumerate(cards.values()) for m in found],
        to_plate,
    )


def view_of_photo(
    photo: Photo,
    *,
    bar_mm: float | None = None,
    lens: Lens | None = None,
    surroundings: Surroundings | None = None,
) -> PlateView:
    """Return the plate of a photo that shows a card, from as few of its pixels as will do.

    The photo is surveyed at a reduced size. Where that shows as much as a view does, it is
    enough; a card farther away, and one that cannot be read, is looked at in full.

    Parameters
    ----------
    photo : Photo
    bar_mm, lens, surroundings
        As in `view_from_card`, and so are the errors.
    """
    said: dict[str, Any] = {"bar_mm": bar_mm, "lens": lens, "surroundings": surroundings}
    survey = photo.survey()
    if survey.reduction == 1:
        return view_from_card(survey, **said)
    try:
        view = view_from_card(survey, **said)
    except PolypvisionError:
        # All its pixels may show more, and say better what is wrong.
        return view_from_card(photo.whole(), **said)
    fine_enough = photo.at_scale(view.scale.mm_per_px)
    return view if fine_enough is survey else view_from_card(fine_enough, **said)


def view_from_card(
    picture: Picture | NDArray[np.uint8],
    *,
    bar_mm: float | None = None,
    lens: Lens | None = None,
    surroundings: Surroundings | None = None,
) -> PlateView:
    """Return the plate of a photo that shows a reference card.

    Without a lens profile, and with discs at the card's height in air, the plane is a homography
    and nothing of the lens is used. Else the camera's pose is fitted, and the view is that of the
    discs' plane.

    Parameters
    ----------
    picture : Picture, or ndarray (H, W, 3) of uint8
        Upright photo.
    bar_mm : float, optional
        True length of the card's printed bar, measured with callipers.
    lens : Lens, optional
        What is known of the lens; else what is usual.
    surroundings : Surroundings, optional
        Height of the discs, water and glass; else none.

    Returns
    -------
    PlateView

    Raises
    ------
    CardMissing, CardIncomplete, CardTooSmall, CardMirrored, CardsOfTwoPlates, BarDoubtful
        If the card does not give a scale.
    SurroundingsDoubtful
        If the camera would stand in the water or below the discs.
    PhotoBlurred, PhotoOverexposed, PhotoDark
        If the photo would give misleading numbers.
    """
    picture = _as_picture(picture)
    width, height = picture.size_px
    markers = _markers_in(picture)
    codes = plate_codes(marker.place for marker in markers)
    if not codes:
        trouble = why_unreadable(picture.rgb, markers)
        if trouble is not None:
            raise trouble
    code, cards, stray = _cards_in(markers, codes)
    names = sorted(cards, key=lambda name: (name.kind == "small", name))
    cards = {name: cards[name] for name in names}
    layouts = [card_layout(name.kind) for name in names]
    print_scale = _print_scale(layouts[0], bar_mm)
    look = _look(
        _corners(cards, print_scale),
        lens or usual_lens(width, height),
        surroundings or Surroundings(),
    )

    low, high = _extent((height, width), look, layouts[0], print_scale)
    view, valid = resample(
        picture.rgb, lambda places: picture.own_px(look.to_photo(places)), low, high
    )
    _cover_cards(valid, low, look, layouts, print_scale)
    middle = (low + high) / 2
    per_px = look.mm_per_px(middle)

    light = _measure_light(picture, look, cards, print_scale)
    used = [marker for found in cards.values() for marker in found]
    widths = [m.edge_width_px for m in used if np.isfinite(m.edge_width_px)]
    edge_width_mm = float(np.median(widths)) * per_px if widths else float("nan")
    raw = view
    if light is not None:
        origin = (float(low[0]) / print_scale, float(low[1]) / print_scale)
        view = balance(raw, light, origin, VIEW_PX_PER_MM * print_scale)
    clipped = clipped_places(raw, view)
    flags = light_flags(light, clipped, valid) | sharpness_flags(edge_width_mm)
    flags |= {"print-scale-unknown"} if bar_mm is None else set()
    flags |= {"stray-marker"} if stray else set()
    flags |= {"focal-denied"} if look.focal_denied else set()
    if len(used) < sum(len(layout.markers) for layout in layouts):
        flags.add("few-markers")
    plate_to_photo = look.homography(low, high)
    flags |= plane_flags(look.noise_px, per_px, tilt_deg(plate_to_photo, middle))
    flags |= reach_flags(_share_beyond((height, width), look, layouts[0], low, high))
    print_err = PRINT_SCALE_ERR if bar_mm is None else BAR_MM_ERR / bar_mm
    inputs = look.scale_inputs(low, high, print_err)
    at_middle = np.array([one.change[NODES // 2, NODES // 2] for one in inputs])
    return PlateView(
        rgb=view,
        valid=valid,
        clipped=clipped,
        px_per_mm=VIEW_PX_PER_MM,
        origin_mm=(float(low[0]), float(low[1])),
        plate_to_photo=plate_to_photo,
        scale=Scale(
            mm_per_px=per_px,
            mm_per_px_err=per_px * float(np.linalg.norm(at_middle)),
            source="card",
            reprojection_px=look.reprojection_px,
        ),
        sight=look.sight,
        scale_inputs=inputs,
        edge_width_mm=edge_width_mm,
        plate=f"{code:04d}",
        flags=tuple(flags),
    )


def _as_picture(picture: Picture | NDArray[np.uint8]) -> Picture:
    return picture if isinstance(picture, Picture) else Picture(rgb=picture)


def _markers_in(picture: Picture) -> tuple[Marker, ...]:
    """Return the markers of a picture in pixels of the whole photo."""
    return tuple(
        replace(
            marker,
            corners_xy=picture.photo_px(marker.corners_xy),
            edge_width_px=marker.edge_width_px * picture.reduction,
        )
        for marker in find_markers(picture.rgb)
    )


def view_at_scale(picture: Picture | NDArray[np.uint8], mm_per_px: float) -> PlateView:
    """Return the whole photo at a scale that a person gave, taken to be seen straight on.

    Parameters
    ----------
    picture : Picture, or ndarray (H, W, 3) of uint8
        Upright photo.
    mm_per_px : float
        Millimetres per pixel of the whole photo.

    Returns
    -------
    PlateView
        Plate coordinates start at the photo's top left pixel; colours are left as they are.
    """
    plate_to_photo = np.diag([1 / mm_per_px, 1 / mm_per_px, 1.0])
    picture = _as_picture(picture)
    high = np.array(picture.size_px, np.float64) * mm_per_px
    view, valid = resample(
        picture.rgb, lambda places: picture.own_px(places / mm_per_px), np.zeros(2), high
    )
    clipped = clipped_places(view, view)
    flags = light_flags(None, clipped, valid)
    if mm_per_px > 1 / COARSE_PX_PER_MM:
        flags.add("coarse")
    return PlateView(
        rgb=view,
        valid=valid,
        clipped=clipped,
        px_per_mm=VIEW_PX_PER_MM,
        origin_mm=(0.0, 0.0),
        plate_to_photo=plate_to_photo,
        scale=Scale(mm_per_px=mm_per_px, mm_per_px_err=float("nan"), source="given"),
        flags=tuple(flags),
    )
