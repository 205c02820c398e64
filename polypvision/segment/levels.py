"""What a reader's answers are worth: levels and weights that belong to one trained network.

They stand beside the network in ``polypvision/models`` and are set, on painted pictures that it did
not learn from, by ``python -m polypvision.train.levels``.
"""

import json
from dataclasses import dataclass

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
WIDE_JOIN_EVIDENCE = (
    "wide_log_peaks_apart",
    "wide_log_votes_apart",
    "wide_lower_peak",
    "wide_dip_between_peaks",
    "wide_relative_dip",
)
POLYP_EVIDENCE = ("tissue_log_odds", "highest_middle", "vote_spread", "votes_inside", "solidity")
WIDE_POLYP_EVIDENCE = ("wide_tissue_log_odds", "wide_highest_middle", "wide_vote_spread")
_EVEN = ("tissue", "wound", "mouth")


@dataclass(frozen=True, kw_only=True, eq=False)
class Levels:
    """Levels and weights of one network.

    Attributes
    ----------
    even : tuple of 3 floats
        The probabilities of tissue, wound and mouth that it gives where both answers are equally
        right.
    join : ndarray (13,) or (18,) of float64
        Logistic weights of 1 and `JOIN_EVIDENCE`, that two touching pieces are one polyp; of a
        network that takes a wide look too, then of `WIDE_JOIN_EVIDENCE`.
    polyp : ndarray (6,) or (9,) of float64
        Logistic weights of 1 and `POLYP_EVIDENCE`, that a region is a polyp; then likewise of
        `WIDE_POLYP_EVIDENCE`.
    """

    even: tuple[float, float, float]
    join: NDArray[np.float64]
    polyp: NDArray[np.float64]


def _names(wide: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what the weights for joining and for being a polyp belong to."""
    if wide:
        return ("one", *JOIN_EVIDENCE, *WIDE_JOIN_EVIDENCE), (
            "one",
            *POLYP_EVIDENCE,
            *WIDE_POLYP_EVIDENCE,
        )
    return ("one", *JOIN_EVIDENCE), ("one", *POLYP_EVIDENCE)


def neutral_levels(*, wide: bool) -> Levels:
    """Return levels that take answers as they are: nothing joined, everything a polyp."""
    join, polyp = _names(wide)
    return Levels(
        even=(0.5, 0.5, 0.5),
        join=np.append(-1.0, np.zeros(len(join) - 1)),
        polyp=np.append(1.0, np.zeros(len(polyp) - 1)),
    )


def levels_from_json(text: str) -> Levels:
    """Return levels from what `levels_to_json` wrote.

    Raises
    ------
    KeyError
        If a level or weight is missing.
    """
    data = json.loads(text)
    tissue, wound, mouth = (float(data["even"][name]) for name in _EVEN)
    join, polyp = _names(wide=any(name in data["join"] for name in WIDE_JOIN_EVIDENCE))
    return Levels(
        even=(tissue, wound, mouth),
        join=np.array([data["join"][name] for name in join], np.float64),
        polyp=np.array([data["polyp"][name] for name in polyp], np.float64),
    )


def levels_to_json(levels: Levels) -> str:
    """Return levels as JSON, each under its name."""

    def named(names: tuple[str, ...], values: NDArray[np.float64]) -> dict[str, float]:
        return {name: round(float(value), 3) for name, value in zip(names, values, strict=True)}

    join, polyp = _names(wide=len(levels.join) > 1 + len(JOIN_EVIDENCE))
    data = {
        "even": named(_EVEN, np.array(levels.even)),
        "join": named(join, levels.join),
        "polyp": named(polyp, levels.polyp),
    }
    return json.dumps(data, indent=1) + "\n"
