"""Who is who from photo to photo.

Photos are taken in date order and each is judged only by those before it, so that names do not
change when a later photo is added: the plate's own motion is removed, the cheapest explanation of
the photo is taken (who is where, who came apart), two that were read as one and pieces that stand
elsewhere are told among the rest, and whoever is left is new.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.events import LogEntry, Saying, SeenEvent, Sighting
from polypvision.reading import PlateReading, Points, Polyp
from polypvision.track.assign import reading_order
from polypvision.track.costs import Explanation, cheapest, link_cost
from polypvision.track.exchanges import exchange_events
from polypvision.track.happenings import joined_event, move_events, tell_events
from polypvision.track.individuals import (
    Individual,
    PlateTracks,
    TrackedPhoto,
    days_between,
)
from polypvision.track.joinings import Joining, find_joinings
from polypvision.track.looks import unlikeness
from polypvision.track.motion import Constellation, PlateMotion, estimate_motion
from polypvision.track.moves import Moves, find_moves
from polypvision.track.partings import late_half_of, margin_parent, possible_partings
from polypvision.track.said import (
    Names,
    Told,
    given_names,
    own_parents,
    renamed,
    said_of_photo,
    set_parents,
    take_up,
    told,
    under_own_names,
)
from polypvision.track.seen import Seen, shape_of, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.timeline import in_order, without_strays
from polypvision.track.trail import LOSSES, Birth, Trail, mark_gone

_LEAST_SHARED = 4
_MOST_SHARED = 1.5
"""An area half as large again, or a third smaller, on a whole plate: a disc opening or closing with
the light changes its diameter by up to a quarter (common practice, no source)."""


def link_readings(
    readings: Sequence[PlateReading],
    *,
    log: Sequence[LogEntry] = (),
    normal_mouths: int = 1,
    settings: TrackSettings | None = None,
    sayings: Sequence[Saying] = (),
    names_before: Mapping[Sighting, str] | None = None,
) -> PlateTracks:
    """Return the individuals of one plate, their sightings, lineage and events.

    A polyp that divides ends under its name, and both daughters begin under new ones with it as
    their parent (the convention of cell tracking: neither half is the whole). A daughter from the
    foot margin is new, and its parent goes on. Names are given in reading order of first
    appearance and stay when later photos are added.

    Parameters
    ----------
    readings : sequence of PlateReading
        Of one plate, in any order. A photo given twice counts once.
    log : sequence of LogEntry
        What a person wrote; used as evidence for cuts, divisions, losses and sales.
    normal_mouths : int
        Mouths that are normal for the line.
    settings : TrackSettings, optional
    sayings : sequence of Saying
        What people said of who is who, in the order in which they said it. It is taken as true;
        about all the rest the photos are asked, knowing it.
    names_before : mapping of Sighting to str, optional
        Names by which individuals are known already, such as those before people corrected
        anything: who was there keeps its name, and whoever is new gets a later one.

    Returns
    -------
    PlateTracks

    Raises
    ------
    DateMissing
        If a reading has no date.
    ValueError
        If the readings are of several plates.
    """
    settings = settings or TrackSettings()
    dated, remarks = without_strays(in_order(readings))
    plate = readings[0].plate if readings else None
    said = told(sayings)

    def follow(entries: Sequence[LogEntry], said: Told) -> _Followed:
        return _follow(dated, entries, normal_mouths, settings, said, Names(names_before))

    found = follow(log, said)
    # A daughter is another than its parent: where it was taken for it, it begins anew.
    while parted := own_parents(found.trails, said) - said.others:
        said = replace(said, others=said.others | parted)
        found = follow(log, said)
    given, doubts = given_names(found.trails, said)
    entries = under_own_names(log, given)
    if entries != list(log):
        found = follow(entries, said)
        given, doubts = given_names(found.trails, said)
    doubts = [*set_parents(found.trails, said), *doubts]
    noticed = [
        *found.noticed,
        *exchange_events(found.trails, found.photos, found.noticed, set(said.same), settings),
    ]
    # Before the individuals, because it notes on each trail how it ended.
    events = tell_events(found.trails, found.photos, noticed)
    tracks = PlateTracks(
        plate=plate,
        normal_mouths=normal_mouths,
        photos=tuple(found.photos),
        events=events,
        individuals=tuple(
            Individual(
                name=trail.name,
                observations=tuple(trail.observations),
                parents=trail.birth.parents,
                end=trail.end,
            )
            for trail in sorted(found.trails, key=lambda one: (len(one.name), one.name))
        ),
        remarks=(*remarks, *doubts),
    )
    return renamed(tracks, given)


@dataclass(kw_only=True, eq=False)
class _Followed:
    """What following a plate from photo to photo gathers."""

    trails: list[Trail] = field(default_factory=list)
    photos: list[TrackedPhoto] = field(default_factory=list)
    noticed: list[SeenEvent] = field(default_factory=list)


def _follow(
    dated: Sequence[tuple[PlateReading, datetime]],
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
    said: Told,
    names: Names,
) -> _Followed:
    """Take the photos in date order; of each, what people said first, then the cheapest rest."""
    found = _Followed()
    for index, (reading, taken_at) in enumerate(dated):
        day = days_between(found.photos[0].taken_at, taken_at) if found.photos else 0.0
        polyps = tuple(
            sorted((p for p in reading.polyps if p.diameter_mm > 0), key=lambda p: p.label)
        )
        seen = Seen(index=index, reading=reading, taken_at=taken_at, day=day, polyps=polyps)
        looked_for = [
            trail for trail in found.trails if trail.looked_for(day, index, settings.bridge_days)
        ]
        _place(seen, looked_for, settings)
        forced, fresh = said_of_photo(seen, found.trails, said)
        for column, trail in forced.items():
            take_up(trail, seen, column)
        free = [n for n in range(len(polyps)) if n not in forced and n not in fresh]
        looked_for = [trail for trail in looked_for if trail not in forced.values()]
        rest = seen.only(free)
        called, events = _link_photo(
            found.trails, looked_for, rest, log, normal_mouths, settings, names
        )
        by_label = {rest.polyps[column].label: name for column, name in called.items()}
        by_label |= {polyps[column].label: trail.name for column, trail in forced.items()}
        for column in fresh:
            trail = _begin(seen, column, Birth(said=True), names)
            found.trails.append(trail)
            by_label[polyps[column].label] = trail.name
        found.noticed += events
        mark_gone(looked_for, log, seen.taken_at, index)
        found.photos.append(
            TrackedPhoto(
                reading=reading,
                taken_at=taken_at,
                day=day,
                motion=seen.motion,
                names={label: by_label[label] for label in sorted(by_label)},
            )
        )
    return found


def _begin(seen: Seen, column: int, birth: Birth, names: Names) -> Trail:
    """Return the trail of an individual seen for the first time."""
    observation = seen.observation(column)
    return Trail(
        name=names.give(observation),
        observations=[observation],
        first_index=seen.index,
        last_index=seen.index,
        birth=birth,
    )


def _place(seen: Seen, looked_for: Sequence[Trail], settings: TrackSettings) -> None:
    """Remove the plate's own motion, told from those surely there."""
    known = [one.last for one in looked_for if not (one.doubtful and one.missed(seen.index))]
    seen.place(PlateMotion())
    seen.place(
        estimate_motion(
            _constellation(xy_of([shape_of(one) for one in known]), [one.polyp for one in known]),
            _constellation(xy_of(seen.shapes), seen.polyps),
            settings,
        )
    )


def _constellation(xy_mm: Points, polyps: Sequence[Polyp]) -> Constellation:
    return Constellation(
        xy_mm=xy_mm,
        diameter_mm=np.array([one.diameter_mm for one in polyps], dtype=np.float64),
        lab=np.array([one.colour_lab for one in polyps], dtype=np.float64).reshape(-1, 3),
    )


def _explain(
    looked_for: Sequence[Trail],
    seen: Seen,
    unlike: NDArray[np.float64],
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
) -> Explanation:
    """Return the cheapest explanation of the photo by places and looks."""
    sizes = np.array([one.diameter_mm for one in seen.shapes])
    order = reading_order(xy_of(seen.shapes), sizes)
    cost = link_cost(looked_for, seen, unlike, settings)
    whole = cheapest(cost, (), order, settings.unmatched_cost)
    partings = possible_partings(
        looked_for,
        whole.links,
        seen,
        log,
        normal_mouths,
        settings,
        _shared_area(whole.links, looked_for, seen),
    )
    if not partings:
        return whole
    return cheapest(cost, partings, order, settings.unmatched_cost)


def _shared_area(links: Mapping[int, int], looked_for: Sequence[Trail], seen: Seen) -> float:
    """Return the factor by which areas are larger than before: the median, within what light and
    growth can do; of a few that may all have divided nothing is told."""
    if len(links) < _LEAST_SHARED:
        return 1.0
    ratios = [
        seen.shapes[column].area_mm2 / looked_for[row].last.polyp.area_mm2
        for row, column in links.items()
    ]
    return float(np.clip(np.median(ratios), 1 / _MOST_SHARED, _MOST_SHARED))


def _link_photo(
    trails: list[Trail],
    looked_for: Sequence[Trail],
    seen: Seen,
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
    called: Names,
) -> tuple[dict[int, str], list[SeenEvent]]:
    """Add one photo to the trails, old and new; return the name of every polyp by its column, and
    what was noticed besides divisions, losses and births."""
    unlike = unlikeness(looked_for, seen, settings)
    whole = _explain(looked_for, seen, unlike, log, normal_mouths, settings)
    births: dict[int, Birth] = {}
    for parting in whole.partings:
        trail = looked_for[parting.row]
        trail.end, trail.ended_by = "divided", parting.verdict
        for column in parting.columns:
            births[column] = Birth(parents=(trail.name,), divided=True, verdict=parting.verdict)
    links = whole.links
    joinings = find_joinings(
        looked_for, links, set(births), seen, _shared_area(links, looked_for, seen)
    )
    for joining in joinings:
        for row in joining.rows:
            links.pop(row, None)
            looked_for[row].hidden_index = seen.index
    _add_late_halves(births, trails, links, joinings, seen, settings)
    moves = _moves(looked_for, links, births, joinings, seen, log, settings)
    events = [
        joined_event([looked_for[row].name for row in one.rows], looked_for, seen)
        for one in joinings
    ]
    names = _name_all(trails, looked_for, moves, births, joinings, seen, log, called)
    events += move_events(moves, looked_for, names, seen, settings)
    for row, column in moves.links.items():
        looked_for[row].add(seen.observation(column), seen.index)
    return names, events


def _add_late_halves(
    births: dict[int, Birth],
    trails: Sequence[Trail],
    links: Mapping[int, int],
    joinings: Sequence[Joining],
    seen: Seen,
    settings: TrackSettings,
) -> None:
    """Add the halves of divisions that were not seen when the other half first was."""
    joined = {one.column for one in joinings}
    for column in range(len(seen.shapes)):
        if column in links.values() or column in births or column in joined:
            continue
        parent = late_half_of(column, trails, births, seen, settings)
        if parent is not None:
            births[column] = Birth(parents=(parent.name,), divided=True, verdict=parent.ended_by)


def _moves(
    looked_for: Sequence[Trail],
    links: Mapping[int, int],
    births: Mapping[int, Birth],
    joinings: Sequence[Joining],
    seen: Seen,
    log: Sequence[LogEntry],
    settings: TrackSettings,
) -> Moves:
    """Look elsewhere for whoever was there last time and is not at its place."""
    spoken_for = {*links.values(), *births, *(one.column for one in joinings)}
    free = [column for column in range(len(seen.shapes)) if column not in spoken_for]
    missing = [
        row
        for row, trail in enumerate(looked_for)
        if row not in links
        and trail.end is None
        and trail.present_index < seen.index
        and trail.missed(seen.index) <= 1
        and not trail.doubtful
        and not any(entry.kind in LOSSES for entry in trail.noted(log, seen.taken_at))
    ]
    return find_moves(looked_for, links, free, missing, seen, settings)


def _name_all(
    trails: list[Trail],
    looked_for: Sequence[Trail],
    moves: Moves,
    births: Mapping[int, Birth],
    joinings: Sequence[Joining],
    seen: Seen,
    log: Sequence[LogEntry],
    called: Names,
) -> dict[int, str]:
    """Return the name of every polyp by its column; whoever has none yet begins a trail."""
    settled = {column: looked_for[row].name for row, column in sorted(moves.links.items())}
    names = dict(settled)
    cut_margins = {
        trail.name
        for trail in looked_for
        if any(entry.method == "margin" for entry in trail.noted(log, seen.taken_at))
    }
    joined = {one.column for one in joinings}
    newcomers = np.array(
        [n for n in range(len(seen.shapes)) if n not in names and n not in joined], dtype=np.intp
    )
    sizes = np.array([seen.shapes[n].diameter_mm for n in newcomers])
    xy = xy_of(seen.shapes)
    for column in (int(one) for one in newcomers[reading_order(xy[newcomers], sizes)]):
        birth = births.get(column)
        if column in moves.open_columns:
            birth = Birth(open=True)
        if birth is None:
            parent = margin_parent(column, settled, cut_margins, seen) if seen.index else None
            birth = Birth(parents=(parent,) if parent else ())
        trail = _begin(seen, column, birth, called)
        trails.append(trail)
        names[column] = trail.name
    for row in moves.open_rows:
        looked_for[row].end = "open"
    return names
