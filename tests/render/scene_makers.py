"""Small scenes that several tests paint."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

from polypvision.card.layout import CardKind, card_layout
from polypvision.render.chance import frame_camera
from polypvision.render.scene import Camera, Light, Scene, SmallCard


def make_scene(
    card: CardKind = "small", camera: dict[str, Any] | None = None, **more: Any
) -> Scene:
    """Return a small scene with a card and, unless given, nothing on it."""
    width, height = card_layout(card).size_mm
    box = (-5.0, -5.0, width + 5.0, height + 45.0 if card == "small" else height + 5.0)
    plain = Camera(width_px=900, height_px=900, focal_px=1000.0, noise=0.5)
    placed = frame_camera(replace(plain, **(camera or {})), box)
    values: dict[str, Any] = {
        "photo": "made.jpg",
        "plate": 42,
        "card": card,
        "ground": "mat",
        "plate_x_mm": -5.0,
        "plate_y_mm": -5.0,
        "plate_width_mm": box[2] - box[0],
        "plate_height_mm": box[3] - box[1],
        "taken_at": datetime(2031, 3, 4, 10, 15, tzinfo=timezone(timedelta(hours=10))),
        "camera": placed,
        "light": Light(blue=0.0, gradient=0.0),
        "cards": (SmallCard(),) if card == "small" else (),
    }
    return Scene(**{**values, **more})
