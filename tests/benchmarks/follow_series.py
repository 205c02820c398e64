"""How well made-up series are followed: identities kept, divisions, losses and births found.

Run it with ``python tests/benchmarks/follow_series.py [SERIES]``; it prints one line per case and
tests nothing. Each series has 16 polyps on 8 dates over eight weeks, one date missing; the plate
is shifted by up to 10 mm and turned by up to 8 degrees, discs expand and contract together, two
polyps divide, two are lost, two foot-margin daughters are born.
"""

import sys
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
from time_builders import grid, make_polyp, make_reading

from polypvision.reading import PlateReading
from polypvision.track import PlateTracks, link_readings

DAYS = (0, 3, 7, 14, 21, 28, 42, 56)


@dataclass(kw_only=True)
class Thing:
    """One true polyp: there from visit `born` until before visit `gone`."""

    name: str
    xy: NDArray[np.float64]
    diameter_mm: float
    growth: float
    born: int = 0
    gone: int = 99
    kind: str = "whole"
    drift: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))
    lab: NDArray[np.float64] = field(default_factory=lambda: np.array([50.0, 10.0, 20.0]))


@dataclass(kw_only=True)
class Tally:
    """Found, found wrongly, and missed."""

    tp: int = 0
    fp: int = 0
    fn: int = 0

    def add(self, found: set[str], true: set[str]) -> None:
        """Count one series."""
        self.tp += len(found & true)
        self.fp += len(found - true)
        self.fn += len(true - found)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.tp / max(2 * self.tp + self.fp + self.fn, 1)


def invent(rng: np.random.Generator) -> list[Thing]:
    """Return the polyps of one series."""
    places = np.array(grid(4, 4, 34.0)) + rng.uniform(-4, 4, (16, 2))
    things = [
        Thing(
            name=f"T{n}",
            xy=place,
            diameter_mm=float(rng.uniform(12, 28)),
            growth=float(rng.normal(0.004, 0.002)),
            drift=rng.normal(0, 0.04, 2),
            lab=np.array([50.0, 10.0, 20.0]) + rng.normal(0, 3, 3),
        )
        for n, place in enumerate(places)
    ]
    order = rng.permutation(16)
    for n in order[:2]:
        parent = things[n]
        parent.kind = "divides"
        parent.diameter_mm = max(parent.diameter_mm, 18.0)
        parent.gone = int(rng.integers(3, 7))
        angle = rng.uniform(0, 2 * np.pi)
        along = np.array([np.cos(angle), np.sin(angle)])
        middle = parent.xy + parent.drift * DAYS[parent.gone]
        things += [
            Thing(
                name=f"{parent.name}{'ab'[side > 0]}",
                xy=middle + side * along * 0.33 * parent.diameter_mm,
                diameter_mm=0.68 * parent.diameter_mm,
                growth=0.006,
                born=parent.gone,
                kind="half",
                drift=parent.drift + side * along * 0.1,
                lab=parent.lab,
            )
            for side in (-1, 1)
        ]
    for n in order[2:4]:
        things[n].gone = int(rng.integers(2, 7))
        things[n].kind = "lost"
    for n in order[5:7]:
        size, angle = float(rng.uniform(4, 6)), rng.uniform(0, 2 * np.pi)
        away = things[n].diameter_mm / 2 + size / 2 + 1
        things.append(
            Thing(
                name=f"{things[n].name}n",
                xy=things[n].xy + away * np.array([np.cos(angle), np.sin(angle)]),
                diameter_mm=size,
                growth=0.01,
                born=int(rng.integers(2, 7)),
                kind="born",
                drift=things[n].drift,
                lab=things[n].lab,
            )
        )
    return things


def photograph(
    things: list[Thing], visit: int, miss: float, rng: np.random.Generator
) -> tuple[PlateReading, dict[int, str]]:
    """Return the reading of one visit and the true name of every label."""
    day = DAYS[visit]
    there = [one for one in things if one.born <= visit < one.gone and rng.random() >= miss]
    turn = np.deg2rad(rng.uniform(-8, 8)) if visit else 0.0
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = rng.uniform(-10, 10, 2) if visit else np.zeros(2)
    expansion = 1 + rng.normal(0, 0.04)
    polyps, names = [], {}
    for label, index in enumerate(rng.permutation(len(there)), 1):
        one = there[index]
        age = day - DAYS[one.born]
        since = age if one.kind == "half" else day
        x, y = matrix @ (one.xy + one.drift * since + rng.normal(0, 0.3, 2) - 70) + 70 + shift
        two = one.kind == "divides" and visit >= one.gone - 2
        size = one.diameter_mm * np.exp(one.growth * age) * expansion * (1 + rng.normal(0, 0.02))
        lab = one.lab + rng.normal(0, 2, 3)
        polyps.append(
            make_polyp(
                label,
                float(x),
                float(y),
                float(size),
                n_mouths=2 if two else 1,
                stretch=1.3 if two else 1.0,
                colour_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
            )
        )
        names[label] = one.name
    return make_reading(day, polyps), names


def follow(seed: int, miss: float, tallies: dict[str, Tally]) -> tuple[int, int]:
    """Follow one series; return individuals whose identity was kept, and all."""
    rng = np.random.default_rng(seed)
    things = invent(rng)
    visits = sorted(set(range(len(DAYS))) - {int(rng.integers(1, 7))})
    taken = [photograph(things, visit, miss, rng) for visit in visits]
    tracks: PlateTracks = link_readings([reading for reading, _ in taken])
    given: dict[str, set[str]] = {}
    for (_, names), photo in zip(taken, tracks.photos, strict=True):
        for label, name in names.items():
            given.setdefault(name, set()).add(photo.names[label])
    true_of = {found: name for name, several in given.items() for found in several}
    told: dict[str, set[str]] = {"divided": set(), "lost": set(), "new": set()}
    for event in tracks.events:
        told[event.kind].add(true_of[event.individuals[0]])
    for kind, word in (("divides", "divided"), ("lost", "lost"), ("born", "new")):
        true = {one.name for one in things if one.kind == kind and one.name in given}
        tallies[word].add(told[word], true)
    return sum(len(several) == 1 for several in given.values()), len(given)


def main(n_series: int) -> None:
    """Print one line per case."""
    for miss in (0.0, 0.01, 0.02):
        tallies = {word: Tally() for word in ("divided", "lost", "new")}
        start = perf_counter()
        kept, total = np.sum([follow(seed, miss, tallies) for seed in range(n_series)], axis=0)
        seconds = (perf_counter() - start) / n_series
        scores = "  ".join(f"{word} F1 {tally.f1:.3f}" for word, tally in tallies.items())
        print(
            f"missed by the reading {100 * miss:.0f} %: identity kept {kept}/{total} "
            f"({100 * kept / total:.2f} %)  {scores}  {seconds:.3f} s a series"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
