"""Results -> tables, charts and pages. Everything is returned, nothing written."""

from polypvision.reports.charts import growth_chart, wound_chart
from polypvision.reports.drawing import png, svg
from polypvision.reports.overlay import draw_overlay, jpeg
from polypvision.reports.page import (
    PlatePage,
    RoomFindings,
    index_page,
    plate_link,
    plate_page,
    render_page,
    stocks_to_show,
)
from polypvision.reports.room_charts import comparison_chart, stock_chart
from polypvision.reports.tables import events_table, observations_table

__all__ = [
    "PlatePage",
    "RoomFindings",
    "comparison_chart",
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
    "stock_chart",
    "stocks_to_show",
    "svg",
    "wound_chart",
]
