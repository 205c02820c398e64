"""Pictures of families that no lesson ever shows: their list is here, and only here.

Whatever a reader scores on the sort of picture it learned from says little. So some looks are kept
back: `polypvision.render.scene.HELD_OUT` names those of plates, which `random_scene` does not draw
unless asked; close-ups have grounds and skins of this room's own. Lessons cannot reach this room,
for imports point upwards only. The seeds are pairs and triples; lessons are drawn from single ones.

``python -m polypvision.evaluate.heldout`` reads them all and prints one row for each family.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.evaluate.heldout.closeups import closeup
from polypvision.evaluate.heldout.plates import plate
from polypvision.render.chance import TAUGHT

__all__ = ["FAMILIES", "HeldOut", "empty_pictures", "pictures"]

SEED = 20_770


@dataclass(frozen=True, kw_only=True, eq=False)
class HeldOut:
    """One picture with its truth.

    Attributes
    ----------
    rgb : ndarray (H, W, 3) of uint8
    truth : dict
        A record of the outside contract, with its ``family`` and ``ground``.
    mm_per_px : float or None
        The scale where it shows no card.
    """

    rgb: NDArray[np.uint8]
    truth: dict[str, Any]
    mm_per_px: float | None


Painter = Callable[[np.random.Generator, int | None], HeldOut]
"""Paints a picture by chance; a number of polyps is kept to, None leaves it to chance."""


def _plate(**looks: tuple[str, ...]) -> Painter:
    chosen = replace(TAUGHT, **looks)  # type: ignore[arg-type]

    def paint(rng: np.random.Generator, count: int | None) -> HeldOut:
        rgb, truth = plate(rng, chosen, count)
        return HeldOut(rgb=rgb, truth=truth, mm_per_px=None)

    return paint


def _closeup(skin: str, ground: str) -> Painter:
    def paint(rng: np.random.Generator, count: int | None) -> HeldOut:
        rgb, truth, mm_per_px = closeup(rng, skin, ground, count)
        return HeldOut(rgb=rgb, truth=truth, mm_per_px=mm_per_px)

    return paint


FAMILIES: dict[str, Painter] = {
    "plate: slate": _plate(grounds=("slate",)),
    "plate: terrazzo": _plate(grounds=("terrazzo",)),
    "plate: net skin": _plate(textures=("net",)),
    "plate: gold and ink": _plate(morphs=("gold", "ink")),
    "plate: spoked plugs": _plate(things=("hub", "hub", "snail")),
    "close-up: spiral beads on netting": _closeup("spiral", "netting"),
    "close-up: many rings on bogwood": _closeup("rings", "bogwood"),
    "close-up: maze skin on ring media": _closeup("maze", "ring-media"),
    "close-up: clubs on shell grit": _closeup("clubs", "shell-grit"),
}


def _painted(family: str, number: int, seed: tuple[int, ...], count: int | None = None) -> HeldOut:
    rng = np.random.default_rng(seed)
    picture = FAMILIES[family](rng, count)
    name = f"{family} {number:02d}" if count is None else f"{family} empty {number:02d}"
    return replace(picture, truth={**picture.truth, "photo": name, "family": family})


def pictures(each: int = 14) -> Iterator[HeldOut]:
    """Yield ``each`` pictures of every family, always the same."""
    for place, family in enumerate(FAMILIES):
        for number in range(each):
            yield _painted(family, number, (SEED, place, number))


def empty_pictures(total: int = 60) -> Iterator[HeldOut]:
    """Yield pictures without any polyp, the families by turns, always the same."""
    for number in range(total):
        family = list(FAMILIES)[number % len(FAMILIES)]
        yield _painted(family, number, (SEED, 999, number), 0)
