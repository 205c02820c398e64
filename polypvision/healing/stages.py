"""How far a cut piece has come, in plain stages, each between two photos."""

from dataclasses import dataclass
from math import inf
from typing import Literal

Stage = Literal["raw", "sealed", "mouth formed", "round"]
STAGES: tuple[Stage, ...] = ("raw", "sealed", "mouth formed", "round")


@dataclass(frozen=True, kw_only=True)
class StageReached:
    """Between which two days a piece reached a stage: after the one, and by the other.

    Photos are taken on some dates only, so the day itself is never known. The interval is half
    open, (after_day, by_day], as Turnbull's estimate wants it.

    Attributes
    ----------
    stage : {'raw', 'sealed', 'mouth formed', 'round'}
    after_day : float
        Day of the last photo that does not show it, or of the cut; -inf if neither is known.
        Days count from the plate's first photo.
    by_day : float
        Day of the first photo that shows it; inf if none does yet.
    """

    stage: Stage
    after_day: float
    by_day: float = inf

    @property
    def reached(self) -> bool:
        """Whether a photo shows it."""
        return self.by_day < inf


@dataclass(frozen=True, kw_only=True)
class PieceProgress:
    """The stages of one cut piece.

    Attributes
    ----------
    name : str
        Of the individual.
    cut_day : float or None
        Day of the logged cut; None if none was logged.
    stages : tuple of StageReached
        One for each of `STAGES`, in their order.
    """

    name: str
    cut_day: float | None
    stages: tuple[StageReached, ...]

    @property
    def stage(self) -> Stage:
        """The last stage reached without a gap: a mouth seen in an open wound is still raw."""
        now: Stage = "raw"
        for one in self.stages:
            if not one.reached:
                break
            now = one.stage
        return now

    def of(self, stage: Stage) -> StageReached:
        """Return one stage."""
        return self.stages[STAGES.index(stage)]
