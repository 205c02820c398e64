"""A photo and its corrections as plain JSON values, for the page that puts readings right."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from polypvision.corrections import Correction, Standing, kind_of, to_redo, to_undo
from polypvision.corrections.acts import JoinLineage, NameIndividual, PartLineage, Withdraw
from polypvision.plates.corrected import CorrectedPhoto
from polypvision.reading import PlateReading, Points, Polyp
from polypvision.reports.sayings import NOTHING, date_words, number, with_error
from polypvision.track import Observation, PlateTracks

_FINE_PX = 0.2
"""Outlines are told to this part of a pixel: nobody sees less, and a phone draws a tenth of the
points."""
_ACT_WORDS = {
    "add": "added polyp",
    "delete": "deleted polyp",
    "reshape": "redrew the margin of",
    "split": "split",
    "merge": "made one of",
    "add-mouth": "added a mouth on",
    "move-mouth": "moved a mouth on",
    "delete-mouth": "deleted a mouth on",
    "paint-wound": "painted wound on",
    "erase-wound": "erased wound on",
}


def reading_values(found: CorrectedPhoto, author: str) -> dict[str, Any]:
    """Return a photo's reading as it holds, the machine's sums, and what was corrected.

    Parameters
    ----------
    found : CorrectedPhoto
    author : str
        Who looks: only one's own corrections are undone.

    Returns
    -------
    dict
        ``version``, ``mm_per_px``, ``polyps``, ``sums``, ``machine_sums``, ``history``,
        ``can_undo``, ``can_redo``. Places are pixels of the upright photo; figures are words.
    """
    said = [one.correction for one in found.corrected.standings]
    return {
        "version": found.version,
        "mm_per_px": found.reading.scale.mm_per_px,
        "polyps": [polyp_values(one) for one in found.reading.polyps],
        "sums": sums(found.reading),
        "machine_sums": sums(found.corrected.machine),
        "history": [
            standing_values(one, author)
            for one in reversed(found.corrected.standings)
            # What an undo took back is shown as taken back; the undo itself is no news.
            if not isinstance(one.correction.act, Withdraw) or one.state == "open"
        ],
        "can_undo": to_undo(said, author) is not None,
        "can_redo": to_redo(said, author) is not None,
    }


def machine_values(found: CorrectedPhoto) -> list[dict[str, Any]]:
    """Return the polyps as the machine read them: outlines, wounds and mouths."""
    return [_shapes(one) for one in found.corrected.machine.polyps]


def _shapes(polyp: Polyp) -> dict[str, Any]:
    return {
        "label": polyp.label,
        "outline": outline_values(polyp.outline_px),
        "wounds": [outline_values(one) for one in polyp.wound_outlines_px],
        "mouths": [[round(one.x_px, 1), round(one.y_px, 1)] for one in polyp.mouths],
    }


def outline_values(outline: Points) -> list[list[float]]:
    """Return an outline (n, 2) with the points that an eye can tell."""
    if len(outline) < 4:
        return np.round(outline, 1).tolist()  # type: ignore[no-any-return]
    fine = shapely.Polygon(outline).simplify(_FINE_PX, preserve_topology=True)
    return np.round(np.asarray(fine.exterior.coords)[:-1], 1).tolist()  # type: ignore[no-any-return]


def polyp_values(polyp: Polyp) -> dict[str, Any]:
    """Return a polyp: its shapes, its middle, and its figures as words."""
    wound = f"{with_error(polyp.wound_mm2, polyp.wound_mm2_err)} mm²"
    return _shapes(polyp) | {
        "x": round(polyp.x_px, 1),
        "y": round(polyp.y_px, 1),
        "diameter": with_error(polyp.diameter_mm, polyp.diameter_mm_err),
        "figures": [
            ["diameter", f"{with_error(polyp.diameter_mm, polyp.diameter_mm_err)} mm"],
            ["area", f"{with_error(polyp.area_mm2, polyp.area_mm2_err, 0)} mm²"],
            ["longest", f"{number(polyp.feret_max_mm)} mm"],
            ["mouths", str(polyp.n_mouths)],
            ["wound", wound if polyp.wound_mm2 > 0 else "none"],
            ["flags", ", ".join(one.replace("-", " ") for one in polyp.flags) or NOTHING],
            ["corrected by", ", ".join(polyp.corrected_by) or NOTHING],
        ],
        "n_mouths": polyp.n_mouths,
        "wound": number(polyp.wound_mm2) if polyp.wound_mm2 > 0 else NOTHING,
        "corrected": bool(polyp.corrected_by),
    }


def sums(reading: PlateReading) -> dict[str, str]:
    """Return what is counted on a photo: polyps, mouths, those with two mouths, wound."""
    wound = sum(one.wound_mm2 for one in reading.polyps if math.isfinite(one.wound_mm2))
    return {
        "polyps": str(reading.n_polyps),
        "mouths": str(reading.n_mouths),
        "two": str(sum(one.n_mouths >= 2 for one in reading.polyps)),
        "wound": number(wound),
    }


def standing_values(standing: Standing, author: str) -> dict[str, Any]:
    """Return one correction and how it stands."""
    one = standing.correction
    at = one.at.astimezone()
    return {
        "id": one.id,
        "author": one.author,
        "own": one.author == author,
        "at": f"{date_words(at)}, {at:%H:%M}",
        "words": act_words(one),
        "state": standing.state,
        "why": standing.why,
    }


def act_words(correction: Correction) -> str:
    """Return what was done, in a keeper's words; polyps by their numbers at the time."""
    act = correction.act
    whom = " and ".join(f"no. {polyp.label}" for polyp in correction.was)
    if isinstance(act, NameIndividual):
        return f"named {whom} {act.name}"
    if isinstance(act, JoinLineage):
        how = "the same as" if act.relation == "same" else "come from"
        return f"said {whom} to be {how} no. {act.before.label} of an earlier photo".replace(
            "be come", "have come"
        )
    if isinstance(act, PartLineage):
        if act.relation == "same":
            return f"said {whom} to be another than it was taken for"
        return f"said {whom} not to have come from its parent"
    if isinstance(act, Withdraw):
        return "took back a correction"
    return f"{_ACT_WORDS[kind_of(act)]} {whom}".strip()


def others_words(others: Sequence[Correction]) -> list[str]:
    """Return what others corrected meanwhile, a line for each."""
    return [f"{one.author} {act_words(one)}" for one in others]


def who_values(tracks: PlateTracks, sha256: str) -> dict[str, Any]:
    """Return who the polyps of a photo are taken for, and who they could be.

    Returns
    -------
    dict
        ``known``: by label, ``name``, ``parents``, and whether it was seen ``before``.
        ``earlier``: individuals seen before this photo, each where it was seen last.
    """
    # In the order of the plate's time: dates with and without an offset do not compare.
    order = {one.sha256: at for at, one in enumerate(tracks.photos)}
    here = order.get(sha256)
    if here is None:
        # A photo dated far off is left out of the plate's time.
        return {"known": {}, "earlier": []}
    known = {}
    for label, name in tracks.photos[here].names.items():
        one = tracks.individual(name)
        known[str(label)] = {
            "name": name,
            "parents": " and ".join(one.parents),
            "before": order[one.first.sha256] < here,
        }
    earlier = [
        _sighting(individual.name, seen[-1])
        for individual in tracks.individuals
        if (seen := [one for one in individual.observations if order[one.sha256] < here])
    ]
    return {"known": known, "earlier": earlier}


def _sighting(name: str, seen: Observation) -> dict[str, Any]:
    return {
        "name": name,
        "photo": seen.sha256,
        "label": seen.label,
        "words": f"{name}, seen on {date_words(seen.taken_at)}",
    }
