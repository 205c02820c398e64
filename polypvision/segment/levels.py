"""What a reader's answers are worth: levels and weights that belong to one trained network.

They stand beside the network in ``polypvision/models`` and are set, on painted pictures that it did
not learn from, by ``python -m polypvision.train.levels``.
"""

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

JOIN_EVIDENCE = (
    "log_peaks_apart",
    "log_votes_apart",
    "votes_apart",
    "log_step_at_contact",
    "relative_step_at_contact",
    "log_area_ratio",
    "log_contact_share",
    "lower_peak",
    "dip_between_peaks",
    "relative_dip",
    "lower_mouth",
    "higher_mouth",
)
OTHER_JOIN_EVIDENCE = (
    "other_log_peaks_apart",
    "other_log_votes_apart",
    "other_lower_peak",
    "other_dip_between_peaks",
    "other_relative_dip",
)
"""What another look at the same place tells."""
POLYP_EVIDENCE = ("tissue_log_odds", "highest_middle", "vote_spread", "votes_inside", "solidity")
OTHER_POLYP_EVIDENCE = (
    "other_tissue_log_odds",
    "other_highest_middle",
    "other_vote_spread",
    "log_radius",
)
"""Likewise; and how large the polyp is, which tells what each look is worth."""
_EVEN = ("tissue", "wound", "mouth")


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """Probability against a strength: straight between knots, level beyond them.

    Attributes
    ----------
    strengths : ndarray (k,) of float64
        Rising.
    probabilities : ndarray (k,) of float64
        Never falling.
    """

    strengths: NDArray[np.float64]
    probabilities: NDArray[np.float64]

    def __call__(self, strength: float) -> float:
        """Return the probability at one strength."""
        return float(np.interp(strength, self.strengths, self.probabilities))


AS_IT_IS = Curve(strengths=np.array([0.0, 1.0]), probabilities=np.array([0.0, 1.0]))


@dataclass(frozen=True, kw_only=True, eq=False)
class Weights:
    """What the answers of one look are worth.

    Attributes
    ----------
    join : ndarray (13,) or (18,) of float64
        Logistic weights of 1 and `JOIN_EVIDENCE`, that two touching pieces are one polyp; of a
        network that looks twice, then of `OTHER_JOIN_EVIDENCE`.
    polyp : ndarray (6,) or (10,) of float64
        Logistic weights of 1 and `POLYP_EVIDENCE`, that a region is a polyp; then likewise of
        `OTHER_POLYP_EVIDENCE`.
    sure : tuple of 2 floats
        Shift and slope that make the log-odds by ``polyp``, which decide what is kept, those that
        are found true on pictures that set no weight (Platt 1999, Advances in Large Margin
        Classifiers, 61-74, from memory).
    """

    join: NDArray[np.float64]
    polyp: NDArray[np.float64]
    sure: tuple[float, float] = (0.0, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Levels:
    """Levels and weights of one network.

    Attributes
    ----------
    even : tuple of 3 floats
        The probabilities of tissue, wound and mouth that it gives where both answers are equally
        right.
    looks : tuple of Weights
        Of the near look; then of the wide one, if the network takes one.
    two_mouths : Curve
        How often there are two mouths, by how much the second surest place looks like one
        (isotonic regression: Zadrozny and Elkan 2002, KDD, from memory).
    """

    even: tuple[float, float, float]
    looks: tuple[Weights, ...]
    two_mouths: Curve = AS_IT_IS


def _names(looks: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what the weights for joining and for being a polyp belong to."""
    if looks > 1:
        return ("one", *JOIN_EVIDENCE, *OTHER_JOIN_EVIDENCE), (
            "one",
            *POLYP_EVIDENCE,
            *OTHER_POLYP_EVIDENCE,
        )
    return ("one", *JOIN_EVIDENCE), ("one", *POLYP_EVIDENCE)


def neutral_levels(*, looks: int) -> Levels:
    """Return levels that take answers as they are: nothing joined, everything a polyp."""
    join, polyp = _names(looks)
    neutral = Weights(
        join=np.append(-1.0, np.zeros(len(join) - 1)),
        polyp=np.append(1.0, np.zeros(len(polyp) - 1)),
    )
    return Levels(even=(0.5, 0.5, 0.5), looks=(neutral,) * looks)


def levels_from_json(text: str) -> Levels:
    """Return levels from what `levels_to_json` wrote.

    Raises
    ------
    KeyError
        If a level or weight is missing.
    """
    data = json.loads(text)
    tissue, wound, mouth = (float(data["even"][name]) for name in _EVEN)
    join, polyp = _names(len(data["looks"]))
    return Levels(
        even=(tissue, wound, mouth),
        looks=tuple(
            Weights(
                join=np.array([look["join"][name] for name in join], np.float64),
                polyp=np.array([look["polyp"][name] for name in polyp], np.float64),
                sure=(float(look["sure"]["shift"]), float(look["sure"]["slope"])),
            )
            for look in data["looks"]
        ),
        two_mouths=Curve(
            strengths=np.array([knot["strength"] for knot in data["two_mouths"]], np.float64),
            probabilities=np.array(
                [knot["probability"] for knot in data["two_mouths"]], np.float64
            ),
        ),
    )


def levels_to_json(levels: Levels) -> str:
    """Return levels as JSON, each under its name."""

    def named(names: tuple[str, ...], values: NDArray[np.float64]) -> dict[str, float]:
        return {name: round(float(value), 3) for name, value in zip(names, values, strict=True)}

    join, polyp = _names(len(levels.looks))
    curve = levels.two_mouths
    data: dict[str, Any] = {
        "even": named(_EVEN, np.array(levels.even)),
        "looks": [
            {
                "join": named(join, look.join),
                "polyp": named(polyp, look.polyp),
                "sure": named(("shift", "slope"), np.array(look.sure)),
            }
            for look in levels.looks
        ],
        "two_mouths": [
            named(("strength", "probability"), np.array(knot))
            for knot in zip(curve.strengths, curve.probabilities, strict=True)
        ],
    }
    return json.dumps(data, indent=1) + "\n"
