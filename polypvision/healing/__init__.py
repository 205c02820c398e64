"""Wound area against time: closure, advance of the margin, and wounds that stand still."""

from polypvision.healing.closure import linear_advance, percentage_closure
from polypvision.healing.courses import (
    HealingSettings,
    WoundCourse,
    WoundPoint,
    WoundStatus,
    wound_courses,
)

__all__ = [
    "HealingSettings",
    "WoundCourse",
    "WoundPoint",
    "WoundStatus",
    "linear_advance",
    "percentage_closure",
    "wound_courses",
]
