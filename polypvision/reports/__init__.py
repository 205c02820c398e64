"""Results -> tables, charts and pages. Everything is returned, nothing written."""

from polypvision.reports.agreement_chart import (
    agreement_chart,
    hand_chart,
    mouth_chart,
    repeat_chart,
)
from polypvision.reports.charts import growth_chart, healing_chart, wound_chart
from polypvision.reports.drawing import png, screen_svg, svg
from polypvision.reports.overlay import draw_overlay, jpeg
from polypvision.reports.page import (
    PlatePage,
    RoomFindings,
    index_page,
    latest_overlay,
    plate_link,
    plate_page,
    render_page,
    stocks_to_show,
    today_page,
)
from polypvision.reports.pdf import PlatePrint, print_of, report_pdf
from polypvision.reports.plate_charts import (
    FORETOLD,
    chart_names,
    chart_words,
    plate_figure,
    plate_figures,
)
from polypvision.reports.reliability_chart import Reliability, reliability_chart
from polypvision.reports.room_charts import comparison_chart, stock_chart
from polypvision.reports.stock_section import around_stock, stock_section
from polypvision.reports.strips import (
    crop,
    film_strip,
    history,
    picture,
    strip_frames,
    strip_names,
    strip_side_mm,
)
from polypvision.reports.tables import events_table, observations_table
from polypvision.reports.timelines import dates_chart, lineage_chart, stages_chart

__all__ = [
    "FORETOLD",
    "PlatePage",
    "PlatePrint",
    "Reliability",
    "RoomFindings",
    "agreement_chart",
    "around_stock",
    "chart_names",
    "chart_words",
    "comparison_chart",
    "crop",
    "dates_chart",
    "draw_overlay",
    "events_table",
    "film_strip",
    "growth_chart",
    "hand_chart",
    "healing_chart",
    "history",
    "index_page",
    "jpeg",
    "latest_overlay",
    "lineage_chart",
    "mouth_chart",
    "observations_table",
    "picture",
    "plate_figure",
    "plate_figures",
    "plate_link",
    "plate_page",
    "png",
    "print_of",
    "reliability_chart",
    "render_page",
    "repeat_chart",
    "report_pdf",
    "screen_svg",
    "stages_chart",
    "stock_chart",
    "stock_section",
    "stocks_to_show",
    "strip_frames",
    "strip_names",
    "strip_side_mm",
    "svg",
    "today_page",
    "wound_chart",
]
