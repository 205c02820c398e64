"""Wound area against time: closure, advance of the margin, standstill, forecasts, and stages."""

from polypvision.healing.closure import linear_advance, percentage_closure
from polypvision.healing.courses import (
    HealingSettings,
    WoundCourse,
    WoundPoint,
    WoundStatus,
    wound_courses,
)
from polypvision.healing.forecast import (
    ClosureCurve,
    closure_forecasts,
    foretell_closures,
    wound_series,
)
from polypvision.healing.models import ClosureFit, WoundSeries, fit_closures
from polypvision.healing.stages import (
    STAGES,
    PieceProgress,
    Stage,
    StageReached,
    piece_progress,
    plate_progress,
    reached_between,
)

__all__ = [
    "STAGES",
    "ClosureCurve",
    "ClosureFit",
    "HealingSettings",
    "PieceProgress",
    "Stage",
    "StageReached",
    "WoundCourse",
    "WoundPoint",
    "WoundSeries",
    "WoundStatus",
    "closure_forecasts",
    "fit_closures",
    "foretell_closures",
    "linear_advance",
    "percentage_closure",
    "piece_progress",
    "plate_progress",
    "reached_between",
    "wound_courses",
    "wound_series",
]
