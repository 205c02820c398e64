"""Results -> tables, charts and pages. Everything is returned, nothing written."""

from polypvision.reports.charts import growth_chart, wound_chart
from polypvision.reports.drawing import png, svg
from polypvision.reports.overlay import draw_overlay, jpeg
from polypvision.reports.page import (
    PlatePage,
    index_page,
    plate_link,
    plate_page,
    render_page,
)
from polypvision.reports.tables import events_table, observations_table

__all__ = [
    "PlatePage",
    "draw_overlay",
    "events_table",
    "growth_chart",
    "index_page",
    "jpeg",
    "observations_table",
    "plate_link",
    "plate_page",
    "png",
    "render_page",
    "svg",
    "wound_chart",
]
