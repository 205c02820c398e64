"""An invented season in a propagation room: three plates, eight dates each, eight weeks.

Biology behind the invention: two mouths are visible for a few weeks before a two-mouth fission
(Chen et al. 1995, Zoological Studies 34(1):29-40, by way of a handbook); cut through the mouth
into halves, at most quarters; wounds closed in one to three weeks; a foot-margin piece on its own
in about a fortnight (these: common practice, no source). No closure times of cut mushroom polyps
were ever published, so rates here are plausible, not real.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from polypvision.events import LogEntry
from polypvision.render.chance import frame_camera
from polypvision.render.life import Life, polyp_at
from polypvision.render.scene import Camera, FurnitureSpec, Light, PolypSpec, Scene
from polypvision.render.season_plates import SeasonPlate, season_log, season_plates


@dataclass(frozen=True, kw_only=True)
class TrueEvent:
    """Something that really happened to a polyp of the season."""

    plate: str
    at: datetime
    kind: str
    individual: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Season:
    """The invented season: scenes to photograph, and what a keeper would know and write."""

    scenes: tuple[Scene, ...]
    lives: dict[str, tuple[Life, ...]]
    log: tuple[LogEntry, ...]
    events: tuple[TrueEvent, ...]


def _furniture_on(plate: SeasonPlate, rng: np.random.Generator) -> tuple[FurnitureSpec, ...]:
    """Snails wander a little, bubbles come and go, the rest stays."""
    things = [
        replace(
            item,
            x_mm=round(item.x_mm + float(rng.uniform(-4, 4)), 2),
            y_mm=round(item.y_mm + float(rng.uniform(-4, 4)), 2),
            angle_deg=round(float(rng.uniform(0, 360)), 1),
        )
        if item.kind == "snail"
        else item
        for item in plate.furniture
    ]
    for _ in range(int(rng.integers(0, 4))):
        things.append(
            FurnitureSpec(
                kind="bubble",
                x_mm=round(plate.bubbles_mm[0] + float(rng.normal() * 2), 2),
                y_mm=round(plate.bubbles_mm[1] + float(rng.normal() * 3), 2),
                size_mm=round(float(rng.uniform(0.8, 2.2)), 2),
            )
        )
    return tuple(things)


def _polyps_on(plate: SeasonPlate, day: int, rng: np.random.Generator) -> tuple[PolypSpec, ...]:
    """The plate's polyps on a day; the plate does not come to lie exactly as before."""
    slide = rng.uniform(-0.6, 0.6, size=2)
    turn = math.radians(float(rng.uniform(-0.25, 0.25)))
    middle = (np.array(plate.box_mm[:2]) + np.array(plate.box_mm[2:])) / 2
    polyps = []
    for life in plate.lives:
        for spec in polyp_at(life, day):
            place = np.array([spec.x_mm, spec.y_mm]) - middle
            x = place[0] - turn * place[1] + middle[0] + slide[0]
            y = place[1] + turn * place[0] + middle[1] + slide[1]
            jitter = rng.normal(0, 0.12, size=2)
            polyps.append(
                replace(
                    spec,
                    x_mm=round(float(x + jitter[0]), 3),
                    y_mm=round(float(y + jitter[1]), 3),
                    angle_deg=round(spec.angle_deg + math.degrees(turn), 2),
                )
            )
    return tuple(polyps)


def _camera_on(plate: SeasonPlate, visit: int, rng: np.random.Generator) -> tuple[Camera, int]:
    """A new pose each time: which way up, tilt, distance; and how the camera stores it."""
    lengthwise = plate.box_mm[2] - plate.box_mm[0] > plate.box_mm[3] - plate.box_mm[1]
    upright = (visit + plate.code) % 4 == 2
    rolls = ((0.0, 180.0) if lengthwise != upright else (90.0, 270.0))[visit % 2]
    camera = Camera(
        width_px=1500 if upright else 2000,
        height_px=2000 if upright else 1500,
        focal_px=2300.0,
        tilt_deg=round(float(rng.uniform(0, 25)), 2),
        tilt_towards_deg=round(float(rng.uniform(0, 360)), 1),
        roll_deg=round(rolls + float(rng.normal() * 3), 2),
        defocus_px=round(float(rng.uniform(0.45, 0.8)), 2),
        noise=round(float(rng.uniform(0.7, 1.6)), 2),
        vignette=round(float(rng.uniform(0.05, 0.2)), 2),
    )
    fill = round(float(rng.uniform(0.955, 0.985)), 3)
    return frame_camera(camera, plate.box_mm, fill), (6 if upright and visit % 2 == 0 else 1)


def _scene(plate: SeasonPlate, visit: int, rng: np.random.Generator) -> Scene:
    day = plate.days[visit]
    at = plate.start + timedelta(days=day, minutes=int(rng.integers(-90, 90)))
    camera, orientation = _camera_on(plate, visit, rng)
    left, top, right, bottom = plate.box_mm
    return Scene(
        photo=f"{plate.name}/{at:%Y-%m-%d}.jpg",
        plate=plate.code,
        card=plate.card,
        ground=plate.ground,
        ground_seed=plate.code,
        plate_x_mm=left,
        plate_y_mm=top,
        plate_width_mm=right - left,
        plate_height_mm=bottom - top,
        taken_at=at,
        orientation=orientation,
        jpeg_quality=91,
        seed=plate.code * 100 + visit,
        canvas_px_per_mm=14.0,
        camera=camera,
        light=Light(
            blue=round(float(rng.uniform(0.1, 0.45)), 2),
            exposure=round(float(rng.uniform(0.72, 0.9)), 2),
            azimuth_deg=round(float(rng.uniform(0, 360)), 1),
            elevation_deg=round(float(rng.uniform(50, 70)), 1),
            gradient=round(float(rng.uniform(0.05, 0.25)), 2),
            caustics=round(float(rng.choice([0.0, rng.uniform(0.03, 0.12)])), 2),
        ),
        cards=plate.cards,
        polyps=_polyps_on(plate, day, rng),
        furniture=_furniture_on(plate, rng),
    )


def _events(plates: tuple[SeasonPlate, ...]) -> tuple[TrueEvent, ...]:
    events = []
    for plate in plates:
        for life in plate.lives:
            heals = life.wound_mm2 > 0 and not life.stalled and life.lost_day is None
            days = {
                "closed": life.closed_day if heals else None,
                "two-mouths": life.second_mouth_day,
                "divided": life.divides_day,
                "lost": life.lost_day,
                "sold": life.sold_day,
            }
            events += [
                TrueEvent(
                    plate=plate.name,
                    at=plate.start + timedelta(days=day),
                    kind=kind,
                    individual=life.name,
                    note=f"into {life.name} and {life.child}" if kind == "divided" else "",
                )
                for kind, day in days.items()
                if day is not None
            ]
    return tuple(sorted(events, key=lambda event: (event.at, event.plate, event.individual)))


def season() -> Season:
    """Return the invented season of `sample_images`; the same on every call."""
    plates = season_plates()
    scenes = tuple(
        _scene(plate, visit, np.random.default_rng([2031, plate.code, visit]))
        for plate in plates
        for visit in range(len(plate.days))
    )
    return Season(
        scenes=scenes,
        lives={plate.name: plate.lives for plate in plates},
        log=season_log(),
        events=_events(plates),
    )
