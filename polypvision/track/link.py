"""Who is who from photo to photo.

Photos are taken in date order and each is judged only by those before it, so that names do not
change when a later photo is added: the plate's own motion is removed, every individual gets the
polyp that suits it best, then divisions, cut pieces and new polyps are told among the rest.
"""

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polypvision.errors import DateMissing
from polypvision.events import LogEntry
from polypvision.reading import PlateReading
from polypvision.track.assign import assign, reading_order
from polypvision.track.happenings import tell_events
from polypvision.track.individuals import (
    Individual,
    PlateTracks,
    TrackedPhoto,
    days_between,
)
from polypvision.track.motion import PlateMotion, estimate_motion
from polypvision.track.partings import find_divisions, margin_parent
from polypvision.track.seen import Seen, shape_of, xy_of
from polypvision.track.settings import TrackSettings
from polypvision.track.trail import Birth, Trail, mark_gone


def _in_order(readings: Sequence[PlateReading]) -> list[tuple[PlateReading, datetime]]:
    """Return the readings by date, each photo once."""
    dated: list[tuple[PlateReading, datetime]] = []
    known: set[str] = set()
    for reading in readings:
        if reading.taken_at is None:
            raise DateMissing(
                f"{reading.facts.photo} has no date, so it has no place in time; give it one with "
                "--date when reading it."
            )
        if reading.facts.sha256 not in known:
            known.add(reading.facts.sha256)
            dated.append((reading, reading.taken_at))
    plates = sorted({str(reading.plate) for reading in readings})
    if len(plates) > 1:
        raise ValueError(f"readings of one plate are needed, got {', '.join(plates)}")
    aware = all(taken_at.tzinfo is not None for _, taken_at in dated)
    return sorted(
        dated,
        key=lambda one: (
            one[1].timestamp() if aware else one[1].replace(tzinfo=None),
            one[0].facts.sha256,
        ),
    )


def link_cost(trails: Sequence[Trail], seen: Seen, settings: TrackSettings) -> NDArray[np.float64]:
    """Return the cost (individuals, polyps) of each link, infinite beyond a limit.

    Squares of the move and of the change in size, each as a part of what is allowed in the days
    gone by, and of the difference in colour, weighted and added; see `TrackSettings`.
    """
    cost = np.full((len(trails), len(seen.shapes)), np.inf)
    if not cost.size:
        return cost
    xy = xy_of(seen.shapes)
    log_size = np.log([one.diameter_mm for one in seen.shapes])
    lab = np.array([polyp.colour_lab for polyp in seen.polyps], dtype=np.float64)
    for row, trail in enumerate(trails):
        last = trail.last
        days = seen.day - last.day
        move = np.hypot(*(xy - (last.x_mm, last.y_mm)).T) / settings.reach_mm(days)
        change = np.abs(log_size - np.log(last.polyp.diameter_mm)) / settings.size_reach(days)
        tint = np.linalg.norm(lab - last.polyp.colour_lab, axis=1) / settings.colour_scale
        tint = np.minimum(np.nan_to_num(tint, nan=0.0), 1.0)
        missed = min(2, seen.index - trail.last_index - 1) * settings.missed_cost
        total = (
            move**2 + settings.weight_size * change**2 + settings.weight_colour * tint**2 + missed
        )
        cost[row] = np.where((move <= 1) & (change <= 1), total, np.inf)
    return cost


def link_readings(
    readings: Sequence[PlateReading],
    *,
    log: Sequence[LogEntry] = (),
    normal_mouths: int = 1,
    settings: TrackSettings | None = None,
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
    trails: list[Trail] = []
    photos: list[TrackedPhoto] = []
    for index, (reading, taken_at) in enumerate(_in_order(readings)):
        day = days_between(photos[0].taken_at, taken_at) if photos else 0.0
        polyps = tuple(
            sorted((p for p in reading.polyps if p.diameter_mm > 0), key=lambda p: p.label)
        )
        seen = Seen(index=index, reading=reading, taken_at=taken_at, day=day, polyps=polyps)
        looked_for = [trail for trail in trails if trail.looked_for(day, settings.bridge_days)]
        known = [shape_of(trail.last) for trail in looked_for]
        seen.place(PlateMotion())
        seen.place(
            estimate_motion(
                xy_of(known),
                np.array([one.diameter_mm for one in known]),
                xy_of(seen.shapes),
                np.array([one.diameter_mm for one in seen.shapes]),
                settings,
            )
        )
        names = _link_photo(trails, looked_for, seen, log, normal_mouths, settings)
        mark_gone(looked_for, log, seen.taken_at, index)
        photos.append(
            TrackedPhoto(
                reading=reading,
                taken_at=taken_at,
                day=day,
                motion=seen.motion,
                names={seen.polyps[column].label: name for column, name in sorted(names.items())},
            )
        )
    events = tell_events(trails, photos)
    return PlateTracks(
        plate=readings[0].plate if readings else None,
        normal_mouths=normal_mouths,
        photos=tuple(photos),
        individuals=tuple(
            Individual(
                name=trail.name,
                observations=tuple(trail.observations),
                parents=trail.birth.parents,
                end=trail.end,
            )
            for trail in trails
        ),
        events=events,
    )


def _link_photo(
    trails: list[Trail],
    looked_for: Sequence[Trail],
    seen: Seen,
    log: Sequence[LogEntry],
    normal_mouths: int,
    settings: TrackSettings,
) -> dict[int, str]:
    """Add one photo to the trails, old and new; return the name of every polyp by its column."""
    xy = xy_of(seen.shapes)
    order = reading_order(xy, np.array([one.diameter_mm for one in seen.shapes]))
    # Columns in reading order, so that how the reading numbered its polyps decides nothing.
    cost = link_cost(looked_for, seen, settings)[:, order]
    unmatched = 1 + settings.weight_size + settings.weight_colour + 2 * settings.missed_cost
    links = {row: int(order[column]) for row, column in assign(cost, unmatched)}
    births: dict[int, Birth] = {}
    for trail, columns, verdict in find_divisions(
        looked_for, links, seen, log, normal_mouths, settings
    ):
        row = looked_for.index(trail)
        links.pop(row, None)
        trail.end = "divided"
        trail.ended_by = verdict
        for column in columns:
            births[column] = Birth(parents=(trail.name,), divided=True, verdict=verdict)
    cut_margins = {
        trail.name
        for trail in looked_for
        if any(entry.method == "margin" for entry in trail.noted(log, seen.taken_at))
    }
    names: dict[int, str] = {}
    for row, column in sorted(links.items()):
        looked_for[row].add(seen.observation(column), seen.index)
        names[column] = looked_for[row].name
    settled = dict(names)
    newcomers = np.array([n for n in range(len(seen.shapes)) if n not in names], dtype=np.intp)
    sizes = np.array([seen.shapes[n].diameter_mm for n in newcomers])
    for column in (int(one) for one in newcomers[reading_order(xy[newcomers], sizes)]):
        birth = births.get(column)
        if birth is None:
            parent = margin_parent(column, settled, cut_margins, seen) if seen.index else None
            birth = Birth(parents=(parent,) if parent else ())
        trail = Trail(
            name=f"P{len(trails) + 1:02d}",
            observations=[seen.observation(column)],
            first_index=seen.index,
            last_index=seen.index,
            birth=birth,
        )
        trails.append(trail)
        names[column] = trail.name
    return names
