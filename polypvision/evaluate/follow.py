"""How well simulated series are followed: identities kept, divisions, losses and births found."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from polypvision.evaluate.scores import Detection
from polypvision.events import SeenEvent, SeenKind
from polypvision.reading import PlateReading
from polypvision.render.series import Series, SeriesSettings, simulate_series
from polypvision.track import PlateTracks, link_readings

Follow = Callable[[Sequence[PlateReading]], PlateTracks]

SURE_FROM = 0.5
"""An event counts as told from this confidence on; below, it is an open question for a person."""
_LATE_PHOTOS = 1
"""An event may be told this many photos off: a polyp is missed now and then, and a division lasts
weeks (a frame tolerance as in Ulicna et al. 2021, Front Comput Sci 3:734559)."""


@dataclass(frozen=True, kw_only=True)
class FollowScores:
    """Over any number of series; they add.

    Attributes
    ----------
    n_series, n_individuals : int
    kept : int
        True individuals all whose readings got one name, which nobody else got.
    switched : int
        True individuals a reading of which got the name of somebody else: taken for another one,
        not only begun anew under a new name.
    divisions, losses, births : Detection
        Events with their individuals, and the daughters of a division, told at the right photo or
        next to it.
    settled_losses, settled_births : Detection
        Without those that only the last photo can show: no second photo confirms them yet.
    rearranged : Detection
        Photos before which pieces had changed places.
    n_displaced : int
        True individuals that were seen before and after they changed places with others.
    found_again, asked_about, begun_anew, silent : int
        Of them: those that kept their name; those that got another, with an event that says that
        pieces changed places, or may have; those told as lost and new instead; those that got the
        name of somebody else without a word.
    n_doubted : int
        True individuals named in such an event on a photo before which they had not moved.
    """

    n_series: int = 0
    n_individuals: int = 0
    kept: int = 0
    switched: int = 0
    divisions: Detection = field(default_factory=Detection)
    losses: Detection = field(default_factory=Detection)
    births: Detection = field(default_factory=Detection)
    settled_losses: Detection = field(default_factory=Detection)
    settled_births: Detection = field(default_factory=Detection)
    rearranged: Detection = field(default_factory=Detection)
    n_displaced: int = 0
    found_again: int = 0
    asked_about: int = 0
    begun_anew: int = 0
    silent: int = 0
    n_doubted: int = 0

    def __add__(self, other: "FollowScores") -> "FollowScores":
        return FollowScores(**{name: getattr(self, name) + getattr(other, name) for name in _PARTS})

    @property
    def kept_share(self) -> float:
        """Share of individuals whose identity was kept; NaN without any."""
        return self.kept / self.n_individuals if self.n_individuals else float("nan")


_PARTS = tuple(FollowScores.__dataclass_fields__)


def true_names(series: Series, tracks: PlateTracks) -> dict[str, str]:
    """Return the true name that each individual bears most often; "" for one that is not there.

    Of equally many the one seen first is taken.
    """
    names_of: dict[str, Counter[str]] = {one.name: Counter() for one in tracks.individuals}
    truth = {photo.reading.facts.sha256: photo for photo in series.photos}
    for photo in tracks.photos:
        for label, name in photo.names.items():
            names_of[name][truth[photo.sha256].names.get(label, "")] += 1
    return {name: counts.most_common(1)[0][0] for name, counts in names_of.items()}


def _kept(series: Series, tracks: PlateTracks) -> tuple[int, int, int]:
    """Return how many identities were kept, how many switched, of how many."""
    given: dict[str, set[str]] = {}
    bearers: dict[str, set[str]] = {}
    for photo, tracked in zip(series.photos, tracks.photos, strict=True):
        for label, true in photo.names.items():
            name = tracked.names.get(label, f"nobody {label} on day {photo.day}")
            given.setdefault(true, set()).add(name)
            bearers.setdefault(name, set()).add(true)
    kept = sum(len(names) == 1 and len(bearers[min(names)]) == 1 for names in given.values())
    owner = {name: _first_bearer(name, series, tracks) for name in bearers}
    switched = sum(any(owner[name] != true for name in names) for true, names in given.items())
    return kept, switched, len(given)


def _first_bearer(name: str, series: Series, tracks: PlateTracks) -> str:
    """Return the true polyp that got a name first."""
    for photo, tracked in zip(series.photos, tracks.photos, strict=True):
        for label, true in photo.names.items():
            if tracked.names.get(label) == name:
                return true
    return ""


_Told = tuple[int, frozenset[str], str]
"""Photo's index, the daughters, and the individual an event is about."""


def _compare(found: Sequence[_Told], true: Sequence[_Told], before: int | None = None) -> Detection:
    """Return events found against those there; each counts once.

    With `before`, events that only a photo of that index or later shows are left out, in truth as
    in what was found; one that is true counts as the truth has it.
    """
    left = list(true)
    hits: list[_Told] = []
    wrong: list[_Told] = []
    for one in found:
        index, daughters, name = one
        same = [
            other
            for other in left
            if other[1:] == (daughters, name) and abs(other[0] - index) <= _LATE_PHOTOS
        ]
        if same:
            hits.append(min(same, key=lambda other: abs(other[0] - index)))
            left.remove(hits[-1])
        else:
            wrong.append(one)
    tp, fp, fn = (
        sum(before is None or one[0] < before for one in some) for some in (hits, wrong, left)
    )
    return Detection(tp=tp, fp=fp, fn=fn)


def _found(
    tracks: PlateTracks, names: Mapping[str, str], kind: SeenKind, index_of: Mapping[datetime, int]
) -> list[_Told]:
    def told(event: SeenEvent) -> _Told:
        lead = names[event.individuals[0]] if event.individuals else ""
        if kind != "divided":
            return index_of[event.at], frozenset(), lead
        return index_of[event.at], frozenset(names[one] for one in event.individuals[1:]), lead

    return [
        told(event)
        for event in tracks.events
        if event.kind == kind and event.confidence >= SURE_FROM
    ]


def score_following(series: Series, tracks: PlateTracks) -> FollowScores:
    """Return how well one series was followed.

    Parameters
    ----------
    series : Series
    tracks : PlateTracks
        Made from its readings.
    """
    days = [photo.day for photo in series.photos]
    last = len(days) - 1
    names = true_names(series, tracks)
    index_of = {photo.taken_at: n for n, photo in enumerate(tracks.photos)}
    seen = {name for photo in series.photos for name in photo.names.values()}
    true: dict[str, list[_Told]] = {"divided": [], "lost": [], "new": []}
    for one in series.polyps.values():
        gone, born = bisect_left(days, one.gone_day), bisect_left(days, one.born_day)
        if one.fate is not None and one.name in seen and gone <= last:
            halves = [n for n, p in series.polyps.items() if one.name in p.parents and n in seen]
            if one.fate == "divided":
                true["divided"].append((gone, frozenset(halves), one.name))
            else:
                true["lost"].append((gone, frozenset(), one.name))
        halved = any(series.polyps[parent].fate == "divided" for parent in one.parents)
        if one.parents and not halved and one.name in seen and 0 < born <= last:
            true["new"].append((born, frozenset(), one.name))
    found = {kind: _found(tracks, names, kind, index_of) for kind in ("divided", "lost", "new")}

    kept, switched, total = _kept(series, tracks)
    changed = {n for n, photo in enumerate(series.photos) if photo.rearranged}
    told = {
        index_of[event.at]
        for event in tracks.events
        if event.kind == "rearranged" and event.confidence >= SURE_FROM
    }
    return FollowScores(
        n_series=1,
        n_individuals=total,
        kept=kept,
        switched=switched,
        divisions=_compare(found["divided"], true["divided"]),
        losses=_compare(found["lost"], true["lost"]),
        births=_compare(found["new"], true["new"]),
        settled_losses=_compare(found["lost"], true["lost"], last),
        settled_births=_compare(found["new"], true["new"], last),
        rearranged=Detection(
            tp=len(told & changed), fp=len(told - changed), fn=len(changed - told)
        ),
        **_displaced(series, tracks, names, index_of),
    )


def _displaced(
    series: Series,
    tracks: PlateTracks,
    names: Mapping[str, str],
    index_of: Mapping[datetime, int],
) -> dict[str, int]:
    """Return what became of those that changed places, and how many others were doubted."""
    asked = [
        (index_of[event.at], set(event.individuals))
        for event in tracks.events
        if event.kind == "rearranged"
    ]
    counts: Counter[str] = Counter()
    for index, photo in enumerate(series.photos):
        for true in photo.rearranged:
            before = _names_of(true, series, tracks, range(index))[-1:]
            after = _names_of(true, series, tracks, range(index, len(series.photos)))[:1]
            if not before or not after:
                continue
            said = any(
                abs(number - index) <= _LATE_PHOTOS and who & {*before, *after}
                for number, who in asked
            )
            counts["n_displaced"] += 1
            if before == after:
                counts["found_again"] += 1
            elif said:
                counts["asked_about"] += 1
            else:
                another = _first_bearer(after[0], series, tracks) != true
                counts["silent" if another else "begun_anew"] += 1
    for number, who in asked:
        near = series.photos[max(number - _LATE_PHOTOS, 0) : number + _LATE_PHOTOS + 1]
        moved = {name for photo in near for name in photo.rearranged}
        counts["n_doubted"] += len({names[one] for one in who} - moved - {""})
    return counts


def _names_of(true: str, series: Series, tracks: PlateTracks, photos: range) -> list[str]:
    """Return the names that readings of one true polyp got on these photos, in order."""
    return [
        tracks.photos[index].names[label]
        for index in photos
        for label, name in series.photos[index].names.items()
        if name == true and label in tracks.photos[index].names
    ]


def follow_series(
    count: int,
    *,
    seed: int = 0,
    settings: SeriesSettings | None = None,
    follow: Follow = link_readings,
    show: Callable[[int], None] = lambda done: None,
) -> FollowScores:
    """Return how well so many invented series are followed.

    Parameters
    ----------
    count : int
    seed : int
        Same seed, same series.
    settings : SeriesSettings, optional
    follow : callable
        From readings in date order to tracks; the product's own if left out.
    show : callable
        Called with the number of series done.
    """
    total = FollowScores()
    for number in range(count):
        series = simulate_series(np.random.default_rng([seed, number]), settings)
        total = total + score_following(series, follow(series.readings))
        show(number + 1)
    return total


def follow_rows(scores: FollowScores) -> list[tuple[str, str]]:
    """Return what is worth reading, each with a name."""

    def found(one: Detection) -> str:
        return (
            f"F1 {one.f1:.3f}  precision {one.precision:.3f}  recall {one.recall:.3f}  "
            f"({one.tp} found, {one.fp} false, {one.fn} missed)"
        )

    return [
        ("series", str(scores.n_series)),
        (
            "identity kept",
            f"{100 * scores.kept_share:.2f} %  ({scores.kept} of {scores.n_individuals} "
            f"individuals; {scores.switched} taken for another)",
        ),
        ("divisions", found(scores.divisions)),
        ("losses", found(scores.losses)),
        ("births", found(scores.births)),
        ("losses before the last photo", found(scores.settled_losses)),
        ("births before the last photo", found(scores.settled_births)),
        *_displaced_rows(scores),
    ]


def _displaced_rows(scores: FollowScores) -> list[tuple[str, str]]:
    rows = [("doubted without cause", f"{scores.n_doubted} individuals")]
    if scores.n_displaced:
        rows.insert(
            0,
            (
                "changed places",
                f"{scores.n_displaced} individuals: {scores.found_again} known again, "
                f"{scores.asked_about} asked about, {scores.begun_anew} told as lost and new, "
                f"{scores.silent} taken for others silently",
            ),
        )
    return rows


def follow_record(scores: FollowScores) -> dict[str, object]:
    """Return the figures as plain JSON values; a ratio of nothing is None."""

    def number(value: float) -> float | None:
        return None if np.isnan(value) else round(float(value), 6)

    def found(one: Detection) -> dict[str, float | int | None]:
        return {
            "tp": one.tp,
            "fp": one.fp,
            "fn": one.fn,
            "precision": number(one.precision),
            "recall": number(one.recall),
            "f1": number(one.f1),
        }

    return {
        "n_series": scores.n_series,
        "n_individuals": scores.n_individuals,
        "kept": scores.kept,
        "kept_share": number(scores.kept_share),
        "switched": scores.switched,
        "divisions": found(scores.divisions),
        "losses": found(scores.losses),
        "births": found(scores.births),
        "losses_before_last_photo": found(scores.settled_losses),
        "births_before_last_photo": found(scores.settled_births),
        "displaced": scores.n_displaced,
        "displaced_found_again": scores.found_again,
        "displaced_asked_about": scores.asked_about,
        "displaced_begun_anew": scores.begun_anew,
        "displaced_silent": scores.silent,
        "doubted_without_cause": scores.n_doubted,
    }
