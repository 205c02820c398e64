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
POLYP_EVIDENCE = ("tissue_log_odds", "highest_middle", "vote_spread", "votes_inside", "solidity")
_EVEN = ("tissue", "wound", "mouth")


@dataclass(frozen=True, kw_only=True, eq=False)
class Levels:
    """Levels and weights of one network.

    Attributes
    ----------
    even : tuple of 3 floats
        The probabilities of tissue, wound and mouth that it gives where both answers are equally
        right.
    join : ndarray (13,) of float64
        Logistic weights of 1 and `JOIN_EVIDENCE`, that two touching pieces are one polyp.
    polyp : ndarray (6,) of float64
        Logistic weights of 1 and `POLYP_EVIDENCE`, that a region is a polyp.
    """

    even: tuple[float, float, float]
    join: NDArray[np.float64]
    polyp: NDArray[np.float64]


NEUTRAL = Levels(
    even=(0.5, 0.5, 0.5),
    join=np.append(-1.0, np.zeros(len(JOIN_EVIDENCE))),
    polyp=np.append(1.0, np.zeros(len(POLYP_EVIDENCE))),
)
"""Answers taken as they are: nothing joined, everything a polyp."""


def levels_from_json(text: str) -> Levels:
    """Return levels from what `levels_to_json` wrote.

    Raises
    ------
    KeyError
        If a level or weight is missing.
    """
    data = json.loads(text)
    tissue, wound, mouth = (float(data["even"][name]) for name in _EVEN)
    return Levels(
        even=(tissue, wound, mouth),
        join=np.array([data["join"][name] for name in ("one", *JOIN_EVIDENCE)], np.float64),
        polyp=np.array([data["polyp"][name] for name in ("one", *POLYP_EVIDENCE)], np.float64),
    )


def levels_to_json(levels: Levels) -> str:
    """Return levels as JSON, each under its name."""

    def named(names: tuple[str, ...], values: NDArray[np.float64]) -> dict[str, float]:
        return {name: round(float(value), 3) for name, value in zip(names, values, strict=True)}

    data = {
        "even": named(_EVEN, np.array(levels.even)),
        "join": named(("one", *JOIN_EVIDENCE), levels.join),
        "polyp": named(("one", *POLYP_EVIDENCE), levels.polyp),
    }
    return json.dumps(data, indent=1) + "\n"
