"""How many pieces will be ready when, from the individuals' forecasts and the losses seen."""

from polypvision.plan.losses import LossRecord, losses_of
from polypvision.plan.plate import PlateState, foretold, plate_state
from polypvision.plan.room import (
    PlateGlance,
    RoomForecast,
    RoomTally,
    glance_at,
    room_forecast,
)
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
    "PlateState",
    "Prospect",
    "RoomForecast",
    "RoomTally",
    "StockForecast",
    "StockWeek",
    "foretold",
    "glance_at",
    "losses_of",
    "plate_state",
    "room_forecast",
    "sentence",
    "stock_forecast",
    "week_dates",
]
