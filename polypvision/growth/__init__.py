"""Size against date: growth per polyp and per plate."""

from polypvision.growth.courses import (
    LEAST_DATES,
    GrowthCourse,
    GrowthRate,
    PlateGrowth,
    PlateTotal,
    growth_of,
)
from polypvision.growth.lines import (
    LineFit,
    TheilSenFit,
    doubling_days,
    fit_line,
    fit_theil_sen,
    specific_growth_rate,
)

__all__ = [
    "LEAST_DATES",
    "GrowthCourse",
    "GrowthRate",
    "LineFit",
    "PlateGrowth",
    "PlateTotal",
    "TheilSenFit",
    "doubling_days",
    "fit_line",
    "fit_theil_sen",
    "growth_of",
    "specific_growth_rate",
]
