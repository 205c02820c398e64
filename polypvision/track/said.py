"""What a person said of who is who, as linking needs it; it goes before what photos show."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from polypvision.events import LogEntry, Saying, Sighting
from polypvision.track.division import Verdict
from polypvision.track.individuals import Observation, PlateTracks
from polypvision.track.seen import Seen
from polypvision.track.trail import Trail

SAID = Verdict(confidence=1.0, evidence="a person said so")
_OWN_NAME = re.compile(r"\bP\d+\b")


@dataclass(frozen=True, kw_only=True)
class Told:
    """What holds of all that was said: of two that contradict each other the later.

    Attributes
    ----------
    same, daughters : mapping of Sighting to Sighting
        Whom it is, or came from, on an earlier photo.
    others : frozenset of Sighting
        Those that begin a new individual there.
    orphans : frozenset of Sighting
        Those that came from nobody known.
    names : mapping of Sighting to str
        In the order in which they were given.
    """

    same: Mapping[Sighting, Sighting] = field(default_factory=dict)
    daughters: Mapping[Sighting, Sighting] = field(default_factory=dict)
    others: frozenset[Sighting] = frozenset()
    orphans: frozenset[Sighting] = frozenset()
    names: Mapping[Sighting, str] = field(default_factory=dict)


def told(sayings: Sequence[Saying]) -> Told:
    """Return what holds of these, given in the order in which they were said."""
    same: dict[Sighting, Sighting] = {}
    daughters: dict[Sighting, Sighting] = {}
    others: set[Sighting] = set()
    orphans: set[Sighting] = set()
    names: dict[Sighting, str] = {}
    for one in sayings:
        if one.kind == "name":
            names.pop(one.seen, None)
            names[one.seen] = one.name
            continue
        if one.kind in ("same", "other"):
            same.pop(one.seen, None)
            others.discard(one.seen)
        if one.kind in ("daughter", "no-parent", "same"):
            daughters.pop(one.seen, None)
            orphans.discard(one.seen)
        if one.kind == "same" and one.before is not None:
            same[one.seen] = one.before
        elif one.kind == "daughter" and one.before is not None:
            same.pop(one.seen, None)
            daughters[one.seen] = one.before
        elif one.kind == "other":
            others.add(one.seen)
        elif one.kind == "no-parent":
            orphans.add(one.seen)
    return Told(
        same=same,
        daughters=daughters,
        others=frozenset(others),
        orphans=frozenset(orphans),
        names=names,
    )


class Names:
    """Gives every individual its name: that of before where it had one, else the next."""

    def __init__(self, before: Mapping[Sighting, str] | None = None) -> None:
        self.before = before or {}
        self.used: set[str] = set()
        numbers = [int(name[1:]) for name in self.before.values() if _OWN_NAME.fullmatch(name)]
        self.last = max(numbers, default=0)

    def give(self, observation: Observation) -> str:
        """Return the name of the individual that begins with this sighting."""
        name = self.before.get(sighting_of(observation))
        if name is None or name in self.used:
            self.last += 1
            name = f"P{self.last:02d}"
        self.used.add(name)
        return name


def sighting_of(observation: Observation) -> Sighting:
    """Return where an observation was made."""
    return Sighting(sha256=observation.sha256, label=observation.label)


def trail_at(trails: Sequence[Trail], sighting: Sighting) -> Trail | None:
    """Return the individual that was seen there."""
    for trail in trails:
        if any(sighting_of(one) == sighting for one in trail.observations):
            return trail
    return None


def said_of_photo(
    seen: Seen, trails: Sequence[Trail], said: Told
) -> tuple[dict[int, Trail], list[int]]:
    """Return which polyps (by column) a person said to be which individuals, and which new ones."""
    forced: dict[int, Trail] = {}
    fresh: list[int] = []
    for column, polyp in enumerate(seen.polyps):
        here = Sighting(sha256=seen.reading.facts.sha256, label=polyp.label)
        if here in said.others:
            fresh.append(column)
        before = said.same.get(here)
        trail = None if before is None else trail_at(trails, before)
        if trail is not None and trail not in forced.values():
            forced[column] = trail
    return forced, fresh


def take_up(trail: Trail, seen: Seen, column: int) -> None:
    """Record that an individual is where a person said, whatever was thought of it before."""
    trail.gone_by = trail.ended_by = None
    trail.add(seen.observation(column), seen.index)


def own_parents(trails: Sequence[Trail], said: Told) -> set[Sighting]:
    """Return the sightings said to be daughters of the very individual they were taken for."""
    found = set()
    for seen, before in said.daughters.items():
        trail = trail_at(trails, seen)
        if trail is not None and trail is trail_at(trails, before):
            found.add(seen)
    return found


def set_parents(trails: Sequence[Trail], said: Told) -> list[str]:
    """Give individuals the parents that a person said; return remarks on what cannot be."""
    remarks = []
    for seen in said.orphans:
        trail = trail_at(trails, seen)
        if trail is not None:
            trail.birth = replace(trail.birth, parents=(), divided=False, verdict=None)
    for seen, before in said.daughters.items():
        child, parent = trail_at(trails, seen), trail_at(trails, before)
        if child is None or parent is None or child is parent:
            continue
        if child.first_index <= parent.first_index:
            remarks.append(
                f"{child.name} was said to come from {parent.name}, but was there no later; look "
                "which of the two is meant."
            )
            continue
        # A parent that goes on gave off a daughter; one that is gone has divided.
        divided = parent.last_index < child.first_index
        child.birth = replace(
            child.birth, parents=(parent.name,), divided=divided, verdict=SAID, said=True
        )
        if divided:
            parent.end, parent.ended_by = "divided", SAID
    for trail in trails:
        if trail.end == "divided" and not any(
            one.birth.divided and trail.name in one.birth.parents for one in trails
        ):
            trail.end = trail.ended_by = None
    return remarks


def given_names(trails: Sequence[Trail], said: Told) -> tuple[dict[str, str], list[str]]:
    """Return what people call each individual, and remarks on names given twice."""
    given: dict[str, str] = {}
    for seen, name in said.names.items():
        trail = trail_at(trails, seen)
        if trail is not None:
            given[trail.name] = name
    remarks, taken = [], dict[str, str]()
    for own, name in sorted(given.items()):
        if name in taken.values():
            first = next(one for one, other in taken.items() if other == name)
            remarks.append(
                f"{own} was named {name}, as {first} already is; it goes on as {own} until it "
                "gets another name."
            )
        else:
            taken[own] = name
    return taken, remarks


def under_own_names(log: Sequence[LogEntry], given: Mapping[str, str]) -> list[LogEntry]:
    """Return log entries with individuals under the names that linking gives."""
    own = {name: one for one, name in given.items()}
    return [replace(one, individual=own.get(one.individual or "", one.individual)) for one in log]


def renamed(tracks: PlateTracks, given: Mapping[str, str]) -> PlateTracks:
    """Return a plate through time with its individuals called as people call them."""
    if not given:
        return tracks

    def words(text: str) -> str:
        return _OWN_NAME.sub(lambda found: given.get(found[0], found[0]), text)

    def call(name: str) -> str:
        return given.get(name, name)

    return replace(
        tracks,
        given=given,
        photos=tuple(
            replace(one, names={label: call(name) for label, name in one.names.items()})
            for one in tracks.photos
        ),
        individuals=tuple(
            replace(one, name=call(one.name), parents=tuple(map(call, one.parents)))
            for one in tracks.individuals
        ),
        events=tuple(
            replace(
                one,
                individuals=tuple(map(call, one.individuals)),
                evidence=words(one.evidence),
            )
            for one in tracks.events
        ),
    )
