"""A polyp while it is being corrected, and its numbers once that is done."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes

from polypvision.calibrate.sight import to_photo as sight_to_photo
from polypvision.calibrate.sight import to_plate as sight_to_plate
from polypvision.calibrate.view import VIEW_PX_PER_MM, apply_homography
from polypvision.corrections.geometry import inside_mask
from polypvision.errors import CorrectionError
from polypvision.measure.doubts import outline_doubts
from polypvision.measure.overlap import polygons
from polypvision.measure.shape import polygon_centroid
from polypvision.measure.sizes import mouth_flags, outline_size, wound_err
from polypvision.measure.wounds import find_wound
from polypvision.reading import Mouth, PlateReading, Points, Polyp, Sight

_PX_PER_MM = 2 * VIEW_PX_PER_MM
"""Outlines drawn by people are painted twice as fine as photos are read, for their numbers."""
_BESIDE_MM = 1.5 / VIEW_PX_PER_MM
"""Nearer than this two polyps touch: neighbouring pixels of a view."""
_MARGIN_PX = 12
_SHAPE_FLAGS = {"folded", "oblique", "hidden", "irregular"}
NOTHING_KNOWN_LAB = (50.0, 0.0, 0.0)
"""Mid grey, for a polyp that a person added to a photo on which no other was seen."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Plane:
    """How a photo's pixels lie on the plate."""

    plate_to_photo: NDArray[np.float64]
    scale_err: float
    sight: Sight | None = None

    def to_mm(self, points_px: Points) -> Points:
        """Return pixels (n, 2) of the upright photo in mm on the plate."""
        if self.sight is not None:
            return sight_to_plate(self.sight, points_px, self.sight.disc_height_mm)
        to_plate = np.asarray(np.linalg.inv(self.plate_to_photo), np.float64)
        return apply_homography(to_plate, points_px)

    def to_photo(self, points_mm: Points) -> Points:
        """Return mm on the plate (n, 2) in pixels of the upright photo."""
        if self.sight is not None:
            return sight_to_photo(self.sight, points_mm, self.sight.disc_height_mm)
        return apply_homography(self.plate_to_photo, points_mm)


def plane_of(reading: PlateReading) -> Plane:
    """Return the plane of a reading.

    Readings of older versions do not carry it; their outlines, known in pixels and in mm, do.

    Raises
    ------
    CorrectionError
        If it is not known.
    """
    scale = reading.scale
    err = scale.mm_per_px_err / scale.mm_per_px
    if reading.plate_to_photo is not None:
        return Plane(plate_to_photo=reading.plate_to_photo, scale_err=err, sight=reading.sight)
    if reading.polyps:
        mm = np.concatenate([one.outline_mm for one in reading.polyps])
        px = np.concatenate([one.outline_px for one in reading.polyps])
        if len(mm) >= 4:
            matrix, _ = cv2.findHomography(mm, px, 0)
            if matrix is not None and np.isfinite(matrix).all():
                return Plane(plate_to_photo=np.asarray(matrix, np.float64), scale_err=err)
    name = PurePath(reading.facts.photo).name
    raise CorrectionError(
        f"{name} was read by an older polypvision, which did not keep how its pixels lie on the "
        "plate. Read it again with: polypvision read --record --again PHOTO"
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """A polyp while it is being corrected.

    Attributes
    ----------
    source : Polyp
        As it was read, or whose colour and flags it takes over.
    traces_px : tuple of ndarray (n, 2)
        Every outline it has had, by which it is found again.
    redrawn, mouths_said, wounds_said : bool
        What of it is a person's.
    """

    label: int
    source: Polyp
    outline_px: Points
    mouths: tuple[Mouth, ...]
    wounds_px: tuple[Points, ...]
    traces_px: tuple[Points, ...]
    by: tuple[str, ...] = ()
    redrawn: bool = False
    mouths_said: bool = False
    wounds_said: bool = False

    @classmethod
    def of(cls, polyp: Polyp) -> "Draft":
        """Return the draft of a polyp as it was read."""
        return cls(
            label=polyp.label,
            source=polyp,
            outline_px=polyp.outline_px,
            mouths=polyp.mouths,
            wounds_px=polyp.wound_outlines_px,
            traces_px=(polyp.outline_px,),
        )

    def signed(self, author: str) -> "Draft":
        """Return it with one more author, each named once."""
        return replace(self, by=tuple(dict.fromkeys((*self.by, author))))


def measured(
    drafts: Sequence[Draft], before: Sequence[Polyp], plane: Plane, normal_mouths: int
) -> tuple[Polyp, ...]:
    """Return the polyps with their numbers, in the order of their labels.

    What no person touched stays as it was read, but for whether it touches a neighbour.

    Parameters
    ----------
    before : sequence of Polyp
        As the machine read the photo.
    """
    ordered = sorted(drafts, key=lambda one: one.label)
    outlines = [
        plane.to_mm(one.outline_px) if one.redrawn else one.source.outline_mm for one in ordered
    ]
    shapes = polygons(outlines)
    untouched = {one.label for one in ordered if not one.by}
    moved = shapely.STRtree(
        [
            *(shape for shape, one in zip(shapes, ordered, strict=True) if one.by),
            *polygons([one.outline_mm for one in before if one.label not in untouched]),
        ]
    )
    tree = shapely.STRtree(shapes)
    polyps = []
    for index, draft in enumerate(ordered):
        near = tree.query(shapes[index], predicate="dwithin", distance=_BESIDE_MM)
        beside = [outlines[n] for n in sorted(near) if n != index]
        if draft.by:
            polyps.append(_measured(draft, outlines[index], beside, plane, normal_mouths))
        elif len(moved.query(shapes[index], predicate="dwithin", distance=2 * _BESIDE_MM)):
            polyps.append(_beside(draft.source, touching=bool(beside)))
        else:
            polyps.append(draft.source)
    return tuple(polyps)


def _beside(polyp: Polyp, *, touching: bool) -> Polyp:
    """Return a polyp whose neighbour was changed: whether it touches anybody is told anew."""
    if touching == ("touching" in polyp.flags):
        return polyp
    flags = {*polyp.flags, "touching"} if touching else set(polyp.flags) - {"touching"}
    return replace(polyp, flags=tuple(flags))


def _measured(
    draft: Draft,
    outline_mm: Points,
    beside: Sequence[Points],
    plane: Plane,
    normal_mouths: int,
) -> Polyp:
    """Return the corrected polyp with its numbers."""
    polyp = replace(draft.source, label=draft.label, corrected_by=draft.by, mouths=draft.mouths)
    flags = set(polyp.flags) - {"two-mouths", "mouth-unsure", "touching", "wound"}
    if draft.mouths_said:
        sure = 1.0 if len(draft.mouths) > 1 else 0.0
        polyp = replace(polyp, two_mouths_probability=sure)
    if draft.redrawn:
        polyp = _resized(polyp, draft.outline_px, outline_mm, plane)
    if draft.redrawn or draft.wounds_said:
        polyp = _with_wounds(polyp, draft.wounds_px, plane)
    if draft.redrawn or draft.mouths_said or draft.wounds_said:
        flags -= _SHAPE_FLAGS
        flags |= _shape_flags(polyp, beside, at_edge="touches-edge" in flags)
    flags |= mouth_flags(len(polyp.mouths), polyp.two_mouths_probability, normal_mouths)
    flags |= {"touching"} if beside else set()
    flags |= {"wound"} if polyp.wound_mm2 > 0 else set()
    return replace(polyp, flags=tuple(flags))


def _resized(polyp: Polyp, outline_px: Points, outline_mm: Points, plane: Plane) -> Polyp:
    size = outline_size(outline_mm, plane.scale_err)
    centre_px = plane.to_photo(size.centre_mm[None, :])[0]
    return replace(
        polyp,
        x_mm=float(size.centre_mm[0]),
        y_mm=float(size.centre_mm[1]),
        x_px=float(centre_px[0]),
        y_px=float(centre_px[1]),
        outline_px=outline_px,
        outline_mm=outline_mm,
        diameter_mm=size.diameter_mm,
        diameter_mm_err=size.diameter_mm_err,
        feret_max_mm=size.feret_max_mm,
        area_mm2=size.area_mm2,
        area_mm2_err=size.area_mm2_err,
        score=1.0,
        budget=(),
    )


def _painted(outlines: Sequence[Points], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Return a mask (h, w) of outlines (n, 2) in its pixels: those whose centre lies inside."""
    mask = np.zeros(shape, np.uint8)
    for outline in outlines:
        mask |= inside_mask(outline, shape)
    return mask


def _window(outline_mm: Points) -> tuple[Points, tuple[int, int]]:
    """Return the corner (mm) and the shape of a window round an outline, with a margin."""
    # Half a pixel off: edges at whole millimetres then run between pixels, not through them.
    low = outline_mm.min(axis=0) - (_MARGIN_PX + 0.5) / _PX_PER_MM
    wide, high = np.ceil((outline_mm.max(axis=0) - low) * _PX_PER_MM).astype(int) + _MARGIN_PX
    return low, (int(high), int(wide))


def _with_wounds(polyp: Polyp, wounds_px: Sequence[Points], plane: Plane) -> Polyp:
    """Return the polyp with the exposed tissue inside these outlines, measured."""
    low, shape = _window(polyp.outline_mm)
    mask = _painted([(polyp.outline_mm - low) * _PX_PER_MM], shape).astype(np.bool_)
    drawn = [(plane.to_mm(one) - low) * _PX_PER_MM for one in wounds_px]
    exposed = _painted(drawn, shape).astype(np.float32)
    # However small: a person saw it. What smoothing leaves nothing of has no outline to measure.
    found = find_wound(exposed, mask, _PX_PER_MM, least_mm2=0.0)
    shown = [one / _PX_PER_MM + low for one in found.outlines_xy if len(one) >= 3]
    # Healed tissue in the middle of a wound: outlines run round it, so it is taken off again.
    healed = binary_fill_holes(exposed > 0) & (exposed == 0) & mask
    area, margin = found.area_px, found.margin_px
    outlines = tuple(plane.to_photo(one) for one in shown)
    if healed.any():
        holes = find_wound(healed.astype(np.float32), mask, _PX_PER_MM, least_mm2=0.0)
        area, margin = area - holes.area_px, margin + holes.margin_px
        outlines = tuple(wounds_px)
    wound_mm2, margin_mm = area / _PX_PER_MM**2, margin / _PX_PER_MM
    return replace(
        polyp,
        wound_mm2=wound_mm2,
        wound_mm2_err=wound_err(wound_mm2, margin_mm, plane.scale_err),
        wound_margin_mm=margin_mm,
        wound_outlines_px=outlines,
        budget=(),
    )


def _shape_flags(polyp: Polyp, beside: Sequence[Points], *, at_edge: bool) -> set[str]:
    """Return what the outline tells: irregular, folded, oblique, hidden."""
    low = polyp.outline_mm.min(axis=0) - _MARGIN_PX / VIEW_PX_PER_MM
    outline = (polyp.outline_mm - low) * VIEW_PX_PER_MM
    wide, high = np.ceil(outline.max(axis=0)).astype(int) + _MARGIN_PX
    own = _painted([outline], (int(high), int(wide)))
    others = _painted([(one - low) * VIEW_PX_PER_MM for one in beside], (int(high), int(wide)))
    labels = np.where(own > 0, 1, np.where(others > 0, 2, 0)).astype(np.int32)
    flags = outline_doubts(
        outline,
        labels,
        1,
        n_mouths=len(polyp.mouths),
        n_wounds=len(polyp.wound_outlines_px),
        at_edge=at_edge,
    )
    if outline_size(polyp.outline_mm, 0.0).irregular:
        flags.add("irregular")
    return flags


def new_source(outline_px: Points, plane: Plane, others: Sequence[Polyp]) -> Polyp:
    """Return the bare polyp that a person adds; its numbers follow from its outline.

    Its colour was not measured: the middle one of the others on the photo says nothing for or
    against anybody when polyps are followed by their looks.
    """
    lab = NOTHING_KNOWN_LAB
    if others:
        middle = np.median([one.colour_lab for one in others], axis=0)
        lab = (float(middle[0]), float(middle[1]), float(middle[2]))
    centre = plane.to_mm(polygon_centroid(outline_px)[None, :])[0]
    nan = float("nan")
    return Polyp(
        label=0,
        x_mm=float(centre[0]),
        y_mm=float(centre[1]),
        x_px=nan,
        y_px=nan,
        outline_px=outline_px,
        outline_mm=plane.to_mm(outline_px),
        diameter_mm=nan,
        diameter_mm_err=nan,
        feret_max_mm=nan,
        area_mm2=nan,
        area_mm2_err=nan,
        two_mouths_probability=0.0,
        wound_mm2=0.0,
        wound_mm2_err=nan,
        wound_margin_mm=0.0,
        colour_lab=lab,
        score=1.0,
    )
