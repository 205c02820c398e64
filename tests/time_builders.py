"""Small builders of made-up readings for the rooms that work through time."""

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polypvision.reading import Mouth, PhotoFacts, PlateReading, Polyp, Scale

START = datetime(2031, 3, 4, 10, 15, tzinfo=UTC)
PX_PER_MM = 6.0


def ellipse(
    x_mm: float, y_mm: float, long_mm: float, wide_mm: float, turn_deg: float = 0.0
) -> NDArray[np.float64]:
    """Return the outline (64, 2) of an ellipse with these diameters."""
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    turn = np.deg2rad(turn_deg)
    x, y = 0.5 * long_mm * np.cos(angle), 0.5 * wide_mm * np.sin(angle)
    return np.column_stack(
        [
            x_mm + x * np.cos(turn) - y * np.sin(turn),
            y_mm + x * np.sin(turn) + y * np.cos(turn),
        ]
    )


def make_polyp(
    label: int,
    x_mm: float,
    y_mm: float,
    diameter_mm: float = 20.0,
    *,
    stretch: float = 1.0,
    turn_deg: float = 0.0,
    n_mouths: int = 1,
    two_mouths_probability: float | None = None,
    wound_mm2: float = 0.0,
    wound_mm2_err: float = 0.5,
    wound_margin_mm: float | None = None,
    **more: Any,
) -> Polyp:
    """Return a polyp with an elliptic outline whose area is that of a disc of the diameter."""
    long_mm, wide_mm = diameter_mm * np.sqrt(stretch), diameter_mm / np.sqrt(stretch)
    outline = ellipse(x_mm, y_mm, float(long_mm), float(wide_mm), turn_deg)
    turn = np.deg2rad(turn_deg)
    apart = 0.25 * long_mm
    offsets = [0.0] if n_mouths == 1 else list(np.linspace(-apart, apart, n_mouths))
    mouths = tuple(
        Mouth(
            x_px=float(PX_PER_MM * (x_mm + offset * np.cos(turn))),
            y_px=float(PX_PER_MM * (y_mm + offset * np.sin(turn))),
            x_mm=float(x_mm + offset * np.cos(turn)),
            y_mm=float(y_mm + offset * np.sin(turn)),
            score=0.9,
        )
        for offset in offsets[:n_mouths]
    )
    if two_mouths_probability is None:
        two_mouths_probability = 0.95 if n_mouths > 1 else 0.03
    if wound_margin_mm is None:
        wound_margin_mm = 3.0 * float(np.sqrt(wound_mm2))
    fields: dict[str, Any] = {
        "label": label,
        "x_mm": x_mm,
        "y_mm": y_mm,
        "x_px": x_mm * PX_PER_MM,
        "y_px": y_mm * PX_PER_MM,
        "outline_px": outline * PX_PER_MM,
        "outline_mm": outline,
        "diameter_mm": diameter_mm,
        "diameter_mm_err": 0.2,
        "feret_max_mm": float(long_mm),
        "area_mm2": float(np.pi * diameter_mm**2 / 4),
        "area_mm2_err": float(np.pi * diameter_mm * 0.1),
        "mouths": mouths,
        "two_mouths_probability": two_mouths_probability,
        "wound_mm2": wound_mm2,
        "wound_mm2_err": wound_mm2_err,
        "wound_margin_mm": wound_margin_mm,
        "colour_lab": (50.0, 10.0, 20.0),
        "score": 0.95,
    }
    return Polyp(**{**fields, **more})


def make_reading(
    day: float,
    polyps: Iterable[Polyp],
    *,
    plate: str | None = "0042",
    photo: str | None = None,
    flags: tuple[str, ...] = (),
    taken_at: datetime | None = None,
) -> PlateReading:
    """Return a reading of a photo taken so many days after the start."""
    when = taken_at or START + timedelta(days=day)
    name = photo or f"plate-{when:%Y%m%d-%H%M}.jpg"
    return PlateReading(
        facts=PhotoFacts(
            photo=name, sha256=hashlib.sha256(name.encode()).hexdigest(), taken_at=when
        ),
        plate=plate,
        scale=Scale(mm_per_px=1 / PX_PER_MM, mm_per_px_err=0.0005, source="card"),
        polyps=tuple(polyps),
        flags=flags,
    )


def grid(columns: int, rows: int, pitch_mm: float) -> list[tuple[float, float]]:
    """Return places on a square grid, in reading order."""
    return [
        (20.0 + pitch_mm * column, 20.0 + pitch_mm * row)
        for row in range(rows)
        for column in range(columns)
    ]
