"""Size against date: growth per polyp and per plate, the expansion all share, and forecasts."""

from polypvision.growth.courses import (
    LEAST_DATES,
    GrowthCourse,
    GrowthRate,
    PhotoExpansion,
    PlateGrowth,
    PlateTotal,
    growth_of,
)
from polypvision.growth.forecast import size_forecasts
from polypvision.growth.forms import FORMS, FormFit, choose_form, fit_form
from polypvision.growth.lines import (
    LineFit,
    TheilSenFit,
    doubling_days,
    fit_line,
    fit_theil_sen,
    specific_growth_rate,
)
from polypvision.growth.nodes import GrowthLine, GrowthNodes
from polypvision.growth.shared import SharedGrowth, SizeTable, shared_growth, size_table

__all__ = [
    "FORMS",
    "LEAST_DATES",
    "FormFit",
    "GrowthCourse",
    "GrowthLine",
    "GrowthNodes",
    "GrowthRate",
    "LineFit",
    "PhotoExpansion",
    "PlateGrowth",
    "PlateTotal",
    "SharedGrowth",
    "SizeTable",
    "TheilSenFit",
    "choose_form",
    "doubling_days",
    "fit_form",
    "fit_line",
    "fit_theil_sen",
    "growth_of",
    "shared_growth",
    "size_forecasts",
    "size_table",
    "specific_growth_rate",
]
