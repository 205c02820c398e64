"""A reading and what people corrected in it -> the reading that holds."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely

from polypvision.corrections.acts import (
    LINEAGE,
    AddMouth,
    AddPolyp,
    Correction,
    DeleteMouth,
    DeletePolyp,
    EraseWound,
    MergePolyps,
    MoveMouth,
    PaintWound,
    Place,
    ReshapePolyp,
    SplitPolyp,
    Withdraw,
)
from polypvision.corrections.draft import Draft, Plane, measured, new_source, plane_of
from polypvision.corrections.geometry import merge_outlines, pieces_of, ring, split_outline
from polypvision.corrections.history import in_order, withdrawn
from polypvision.errors import CorrectionError
from polypvision.measure.overlap import iou_matrix, polygons
from polypvision.reading import Mouth, PlateReading, Points, Polyp

SAME_IOU = 0.5
"""A polyp is that of a correction if their outlines share more than this: of outlines that do not
overlap each other at most one can (Kirillov et al. 2019, CVPR)."""
_MOUTH_SHARE, _MOUTH_MM = 0.1, 1.0
"""A mouth is that of a correction if it lies within this part of the disc's diameter, or so many
mm: about a mouth's length (see `mouths.find`)."""

State = Literal["applied", "withdrawn", "open"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Standing:
    """How a correction stands in the reading as it is now.

    Attributes
    ----------
    state : {'applied', 'withdrawn', 'open'}
        ``open``: it is kept, but what it was done to is not found on the photo any more.
    why : str
        Of an open one, what is the matter.
    labels : tuple of int
        The polyps it was done to, by their labels now; only of those on who is who.
    """

    correction: Correction
    state: State
    why: str = ""
    labels: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Corrected:
    """A photo's reading with what people corrected.

    Attributes
    ----------
    reading : PlateReading
        The one that holds.
    machine : PlateReading
        As the machine read it.
    standings : tuple of Standing
        One for each correction, in their order.
    """

    reading: PlateReading
    machine: PlateReading
    standings: tuple[Standing, ...] = ()

    @property
    def version(self) -> int:
        """The number of the last correction; 0 without any."""
        return self.standings[-1].correction.number if self.standings else 0

    @property
    def open(self) -> tuple[Standing, ...]:
        """Those that wait for a person."""
        return tuple(one for one in self.standings if one.state == "open")

    @property
    def authors(self) -> tuple[str, ...]:
        """Who corrected it, in order, each once."""
        said = (one.correction.author for one in self.standings if one.state == "applied")
        return tuple(dict.fromkeys(said))


def apply(
    reading: PlateReading, corrections: Sequence[Correction], *, normal_mouths: int = 1
) -> PlateReading:
    """Return the reading that holds once people have corrected it.

    Parameters
    ----------
    reading : PlateReading
        As the machine read the photo; of any version of the machine.
    corrections : sequence of Correction
        Of this photo, handed in in any order.
    normal_mouths : int
        Mouths that are normal for the line.

    Returns
    -------
    PlateReading
        Corrected polyps carry numbers from the corrected outlines and `Polyp.corrected_by`. If
        nothing holds it is the reading itself.
    """
    return correct(reading, corrections, normal_mouths=normal_mouths).reading


def correct(
    reading: PlateReading, corrections: Sequence[Correction], *, normal_mouths: int = 1
) -> Corrected:
    """Return the reading that holds, and how each correction stands; see `apply`."""
    gone = withdrawn(corrections)
    ordered = in_order(corrections)
    bench = _Bench(reading)
    told: dict[str, tuple[State, str]] = {}
    for index, one in enumerate(ordered):
        if one.id in gone:
            told[one.id] = ("withdrawn", "")
        elif isinstance(one.act, Withdraw):
            there = any(other.id == one.act.of for other in ordered[:index])
            told[one.id] = ("applied", "") if there else ("open", _nothing_to_withdraw(one.act))
        elif not isinstance(one.act, LINEAGE):
            told[one.id] = bench.tried(one)
    labels: dict[str, tuple[int, ...]] = {}
    for one in ordered:
        if one.id not in told:
            # Who it is does not depend on when it was said: all outlines are settled first.
            try:
                labels[one.id] = tuple(bench.find(polyp) for polyp in one.was)
                told[one.id] = ("applied", "")
            except CorrectionError as error:
                told[one.id] = ("open", str(error))
    return Corrected(
        reading=bench.result(normal_mouths),
        machine=reading,
        standings=tuple(
            Standing(
                correction=one,
                state=told[one.id][0],
                why=told[one.id][1],
                labels=labels.get(one.id, ()),
            )
            for one in ordered
        ),
    )


def _nothing_to_withdraw(act: Withdraw) -> str:
    return (
        f"There is no earlier correction {act.of!r} on this photo. List them with: polypvision "
        "correct --list PHOTO"
    )


class _Bench:
    """The drafts of one photo while corrections are done to them, one after the other."""

    def __init__(self, reading: PlateReading) -> None:
        self.reading = reading
        self.drafts = {polyp.label: Draft.of(polyp) for polyp in reading.polyps}
        self.last_label = max(self.drafts, default=0)
        self.touched = False
        self.known_plane: Plane | None = None

    @property
    def plane(self) -> Plane:
        if self.known_plane is None:
            self.known_plane = plane_of(self.reading)
        return self.known_plane

    def tried(self, one: Correction) -> tuple[State, str]:
        """Do a correction, whole or not at all."""
        before, last = dict(self.drafts), self.last_label
        try:
            _DOERS[type(one.act)](self, one, one.act)
        except CorrectionError as error:
            self.drafts, self.last_label = before, last
            return "open", str(error)
        self.touched = True
        return "applied", ""

    def find(self, was: Polyp) -> int:
        """Return the label under which a polyp stands now, found by its place."""
        label = self.at_place(was.outline_px)
        if label is None:
            raise CorrectionError(
                f"Polyp {was.label}, as it stood at x {was.x_px:.0f}, y {was.y_px:.0f}, is not "
                "found on the photo any more. Look there, and correct it anew or withdraw this."
            )
        return label

    def at_place(self, outline_px: Points) -> int | None:
        """Return the label of the polyp that has, or once had, nearly this outline."""
        traces = [(label, trace) for label, one in sorted(self.drafts.items())
                  for trace in one.traces_px]  # fmt: skip
        if not traces:
            return None
        shared = iou_matrix([outline_px], [trace for _, trace in traces])[0]
        best = int(np.argmax(shared))
        return traces[best][0] if shared[best] > SAME_IOU else None

    def put(self, draft: Draft) -> None:
        self.drafts[draft.label] = draft

    def next_label(self) -> int:
        self.last_label += 1
        return self.last_label

    def mouth(self, place: Place) -> Mouth:
        x_mm, y_mm = self.plane.to_mm(np.array([place]))[0]
        return Mouth(
            x_px=float(place[0]),
            y_px=float(place[1]),
            x_mm=float(x_mm),
            y_mm=float(y_mm),
            score=1.0,
        )

    def near_mouth(self, draft: Draft, place: Place, part: float = 1.0) -> int | None:
        """Return which mouth of a polyp lies within this part of a mouth's reach of a place."""
        if not draft.mouths:
            return None
        here = self.mouth(place)
        away = [float(np.hypot(m.x_mm - here.x_mm, m.y_mm - here.y_mm)) for m in draft.mouths]
        nearest = int(np.argmin(away))
        reach = max(_MOUTH_SHARE * _diameter(draft), _MOUTH_MM)
        return nearest if away[nearest] <= part * reach else None

    def result(self, normal_mouths: int) -> PlateReading:
        if not self.touched:
            return self.reading
        plane = self.plane
        polyps = measured(list(self.drafts.values()), self.reading.polyps, plane, normal_mouths)
        return replace(self.reading, polyps=polyps)


def _diameter(draft: Draft) -> float:
    """Diameter in mm, of the source where the draft is not measured yet."""
    return draft.source.diameter_mm if np.isfinite(draft.source.diameter_mm) else 0.0


def _one(bench: _Bench, one: Correction) -> Draft:
    return bench.drafts[bench.find(one.was[0])].signed(one.author)


def _redrawn(draft: Draft, outline: Points) -> Draft:
    return replace(draft, outline_px=outline, redrawn=True, traces_px=(*draft.traces_px, outline))


def _add(bench: _Bench, one: Correction, act: AddPolyp) -> None:
    mouths = tuple(bench.mouth(place) for place in act.mouths_px)
    there = bench.at_place(act.outline_px)
    if there is not None:
        # The machine finds it by now: it keeps its label, and the person's outline holds.
        draft = _redrawn(bench.drafts[there].signed(one.author), act.outline_px)
        if mouths:
            draft = replace(draft, mouths=mouths, mouths_said=True)
        bench.put(draft)
        return
    draft = Draft(
        label=bench.next_label(),
        source=new_source(act.outline_px, bench.plane, bench.reading.polyps),
        outline_px=act.outline_px,
        mouths=mouths,
        wounds_px=(),
        traces_px=(act.outline_px,),
        by=(one.author,),
        redrawn=True,
        mouths_said=True,
    )
    bench.put(draft)


def _delete(bench: _Bench, one: Correction, act: DeletePolyp) -> None:
    del bench.drafts[bench.find(one.was[0])]


def _reshape(bench: _Bench, one: Correction, act: ReshapePolyp) -> None:
    bench.put(_redrawn(_one(bench, one), act.outline_px))


def _split(bench: _Bench, one: Correction, act: SplitPolyp) -> None:
    draft = _one(bench, one)
    pieces = split_outline(draft.outline_px, act.line_px)
    shapes = polygons(pieces)
    at = [
        int(np.argmin(shapely.distance(shapes, shapely.Point(mouth.x_px, mouth.y_px))))
        for mouth in draft.mouths
    ]
    del bench.drafts[draft.label]
    for index, piece in enumerate(pieces):
        bench.put(
            replace(
                draft,
                label=bench.next_label(),
                outline_px=piece,
                mouths=tuple(m for n, m in zip(at, draft.mouths, strict=True) if n == index),
                traces_px=(piece,),
                redrawn=True,
                mouths_said=True,
            )
        )


def _merge(bench: _Bench, one: Correction, act: MergePolyps) -> None:
    labels = sorted({bench.find(polyp) for polyp in one.was})
    if len(labels) < 2:
        raise CorrectionError("They are one polyp by now; nothing is left to merge.")
    drafts = [bench.drafts[label] for label in labels]
    outline = merge_outlines([draft.outline_px for draft in drafts])
    largest = max(drafts, key=lambda draft: shapely.Polygon(draft.outline_px).area)
    for label in labels:
        del bench.drafts[label]
    bench.put(
        replace(
            largest,
            label=bench.next_label(),
            source=_blended([draft.source for draft in drafts], largest.source),
            outline_px=outline,
            mouths=tuple(mouth for draft in drafts for mouth in draft.mouths),
            wounds_px=tuple(wound for draft in drafts for wound in draft.wounds_px),
            traces_px=(outline,),
            by=tuple(dict.fromkeys([*(n for d in drafts for n in d.by), one.author])),
            redrawn=True,
            mouths_said=True,
        )
    )


def _blended(sources: Sequence[Polyp], largest: Polyp) -> Polyp:
    """The largest one's, with the colour of all by their areas and the flags of all."""
    areas = np.array([one.area_mm2 if np.isfinite(one.area_mm2) else 0.0 for one in sources])
    labs = np.array([one.colour_lab for one in sources])
    lab = np.average(labs, axis=0, weights=areas) if areas.sum() > 0 else labs.mean(axis=0)
    return replace(
        largest,
        colour_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        flags=tuple({flag for one in sources for flag in one.flags}),
    )


def _with_mouths(bench: _Bench, draft: Draft, mouths: Sequence[Mouth]) -> None:
    bench.put(replace(draft, mouths=tuple(mouths), mouths_said=True))


def _add_mouth(bench: _Bench, one: Correction, act: AddMouth) -> None:
    draft = _one(bench, one)
    if not polygons([draft.outline_px])[0].buffer(1.0).contains(shapely.Point(act.place_px)):
        raise CorrectionError(
            f"The mouth at x {act.place_px[0]:.0f}, y {act.place_px[1]:.0f} does not lie on polyp "
            f"{draft.label}. Set it inside the outline, or reshape the polyp first."
        )
    # A newer machine may have found it by now: one mouth is not counted twice.
    there = bench.near_mouth(draft, act.place_px, part=0.5)
    others = [mouth for n, mouth in enumerate(draft.mouths) if n != there]
    _with_mouths(bench, draft, [*others, bench.mouth(act.place_px)])


def _which_mouth(bench: _Bench, draft: Draft, place: Place) -> int:
    which = bench.near_mouth(draft, place)
    if which is None:
        raise CorrectionError(
            f"Polyp {draft.label} has no mouth at x {place[0]:.0f}, y {place[1]:.0f}. Look where "
            "its mouths are."
        )
    return which


def _move_mouth(bench: _Bench, one: Correction, act: MoveMouth) -> None:
    draft = _one(bench, one)
    which = _which_mouth(bench, draft, act.from_px)
    mouths = list(draft.mouths)
    mouths[which] = bench.mouth(act.to_px)
    _with_mouths(bench, draft, mouths)


def _delete_mouth(bench: _Bench, one: Correction, act: DeleteMouth) -> None:
    draft = _one(bench, one)
    which = _which_mouth(bench, draft, act.place_px)
    _with_mouths(bench, draft, [m for n, m in enumerate(draft.mouths) if n != which])


def _paint(bench: _Bench, one: Correction, act: PaintWound) -> None:
    draft = _one(bench, one)
    [shape, area] = polygons([draft.outline_px, act.outline_px])
    if not shape.intersects(area):
        raise CorrectionError(
            f"The wound does not lie on polyp {draft.label}. Paint inside its outline."
        )
    union = shapely.union_all([*polygons(draft.wounds_px), area])
    bench.put(_with_wound_area(draft, union))


def _erase(bench: _Bench, one: Correction, act: EraseWound) -> None:
    draft = _one(bench, one)
    [area] = polygons([act.outline_px])
    wounds = shapely.union_all(polygons(draft.wounds_px))
    if not wounds.intersects(area):
        raise CorrectionError(f"Polyp {draft.label} has no wound there; nothing to erase.")
    bench.put(_with_wound_area(draft, wounds.difference(area)))


def _with_wound_area(draft: Draft, area: shapely.Geometry) -> Draft:
    wounds = tuple(ring(part) for piece in pieces_of(area) for part in _without_holes(piece))
    return replace(draft, wounds_px=wounds, wounds_said=True)


def _without_holes(piece: shapely.Polygon) -> list[shapely.Polygon]:
    """Return a polygon as parts of the same area that have no hole: outlines cannot show one."""
    if not piece.interiors:
        return [piece]
    x = shapely.Polygon(piece.interiors[0]).centroid.x
    low_x, low_y, high_x, high_y = piece.bounds
    halves = (shapely.box(low_x, low_y, x, high_y), shapely.box(x, low_y, high_x, high_y))
    return [
        part
        for half in halves
        for one in pieces_of(piece.intersection(half))
        for part in _without_holes(one)
    ]


_DOERS: Mapping[type, Callable[[_Bench, Correction, Any], None]] = {
    AddPolyp: _add,
    DeletePolyp: _delete,
    ReshapePolyp: _reshape,
    SplitPolyp: _split,
    MergePolyps: _merge,
    AddMouth: _add_mouth,
    MoveMouth: _move_mouth,
    DeleteMouth: _delete_mouth,
    PaintWound: _paint,
    EraseWound: _erase,
}
