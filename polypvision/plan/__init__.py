"""How many pieces will be ready when, from the individuals' forecasts and the losses seen."""

from polypvision.plan.glances import (
    PlateGlance,
    glance_at,
    glance_from_record,
    glance_record,
)
from polypvision.plan.losses import LossRecord, losses_of
from polypvision.plan.outlook import (
    PlateOutlook,
    outlook_from_record,
    outlook_of,
    outlook_record,
)
from polypvision.plan.plate import PlateState, foretold, plate_state
from polypvision.plan.room import RoomForecast, RoomTally, room_forecast
from polypvision.plan.stock import (
    READY_MM,
    WEEKS,
    Prospect,
    StockForecast,
    StockWeek,
    sentence,
    stock_forecast,
    week_dates,
)

__all__ = [
    "READY_MM",
    "WEEKS",
    "LossRecord",
    "PlateGlance",
    "PlateOutlook",
    "PlateState",
    "Prospect",
    "RoomForecast",
    "RoomTally",
    "StockForecast",
    "StockWeek",
    "foretold",
    "glance_at",
    "glance_from_record",
    "glance_record",
    "losses_of",
    "outlook_from_record",
    "outlook_of",
    "outlook_record",
    "plate_state",
    "room_forecast",
    "sentence",
    "stock_forecast",
    "week_dates",
]
