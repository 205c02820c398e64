"""Scenes as two tables: one row per photo, and one row per thing on each photo.

An empty cell takes the default. Columns are described once, in `PHOTO_COLUMNS` and
`THING_COLUMNS`; a table may leave out every column that has a default.
"""

from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, fields
from datetime import datetime
from typing import Any

import pandas as pd

from polypvision.columns import Column
from polypvision.errors import TableError
from polypvision.render.scene import (
    FURNITURE,
    Camera,
    FurnitureSpec,
    Light,
    PolypSpec,
    Scene,
    SmallCard,
)


def _columns(*rows: tuple[str, str, str, str]) -> tuple[Column, ...]:
    return tuple(Column(name=a, unit=b, dtype=c, meaning=d) for a, b, c, d in rows)


PHOTO_COLUMNS: tuple[Column, ...] = _columns(
    ("photo", "", "string", "File name of the photo to make."),
    ("plate", "", "int64", "Plate code, 1 to 9999."),
    ("card", "", "string", "small, a5 or a4."),
    ("ground", "", "string", "mat, grey-tile, white-tile or egg-crate."),
    ("ground_seed", "", "int64", "Chance in the ground's looks; the same on every date."),
    ("plate_x_mm", "mm", "float64", "Left edge of a plate under small cards."),
    ("plate_y_mm", "mm", "float64", "Its upper edge."),
    ("plate_width_mm", "mm", "float64", "Its width."),
    ("plate_height_mm", "mm", "float64", "Its height."),
    ("taken_at", "", "string", "Date and time with offset, ISO 8601."),
    ("orientation", "", "int64", "EXIF orientation to store the photo with, 1 to 8."),
    ("jpeg_quality", "", "int64", "1 to 100."),
    ("normal_mouths", "", "int64", "How many mouths are normal for the plate's line."),
    ("seed", "", "int64", "Chance in the photo itself: noise, ripples, reflections."),
    ("canvas_px_per_mm", "px/mm", "float64", "Fineness of the painted plane; 0 as needed."),
    ("disc_height_mm", "mm", "float64", "Of the plate above the card's plane."),
    ("water_depth_mm", "mm", "float64", "Of the water above the plate; 0 is none."),
    ("port_mm", "mm", "float64", "From the lens to a pane with water behind it; 0 is none."),
    ("water_index", "", "float64", "Refractive index of the water."),
    ("print_scale", "", "float64", "True size of the printed card by its size as drawn."),
    ("width_px", "px", "int64", "Width of the upright photo."),
    ("height_px", "px", "int64", "Height of the upright photo."),
    ("focal_px", "px", "float64", "Focal length."),
    ("distance_mm", "mm", "float64", "From the camera to the point looked at."),
    ("target_x_mm", "mm", "float64", "That point, which appears in the photo's middle."),
    ("target_y_mm", "mm", "float64", "That point, downwards."),
    ("tilt_deg", "deg", "float64", "Angle of the line of sight off the vertical."),
    ("tilt_towards_deg", "deg", "float64", "Side of the plate that comes nearer."),
    ("roll_deg", "deg", "float64", "Turn of the plate in the photo."),
    ("defocus_px", "px", "float64", "Standard deviation of the blur."),
    ("noise", "", "float64", "1 a bright clean photo, 4 a dark noisy one."),
    ("vignette", "", "float64", "Darkening in the corners."),
    ("k1", "", "float64", "Radial distortion of the lens, third order."),
    ("k2", "", "float64", "The same, fifth order."),
    ("blue", "", "float64", "0 white light, 1 almost only blue."),
    ("exposure", "", "float64", "Brightness of white paper; 1 is the limit."),
    ("azimuth_deg", "deg", "float64", "Side on which the main lamp stands."),
    ("elevation_deg", "deg", "float64", "Its height above the plate."),
    ("gradient", "", "float64", "Part of the light lost across the plate."),
    ("glare", "", "int64", "Reflections of lamps in the water."),
    ("caustics", "", "float64", "Strength of the net of light that ripples throw."),
)

THING_COLUMNS: tuple[Column, ...] = _columns(
    ("photo", "", "string", "The photo it is on."),
    ("thing", "", "string", f"polyp, card (a small one), or {', '.join(FURNITURE)}."),
    ("name", "", "string", "A polyp's name, the same on every date."),
    ("x_mm", "mm", "float64", "A polyp's centroid, a thing's middle, a card's first corner."),
    ("y_mm", "mm", "float64", "The same, downwards."),
    ("angle_deg", "deg", "float64", "Its turn, from x towards y."),
    ("diameter_mm", "mm", "float64", "Of the circle with the polyp's planform area."),
    ("size_mm", "mm", "float64", "Greatest width of a thing that is no polyp."),
    ("tint", "", "float64", "How coloured such a thing is, 0 to 1."),
    ("copy", "", "int64", "Small card A, B or C: 0, 1 or 2."),
    ("shape", "", "string", "disc, oval, hourglass, half, quarter or margin."),
    ("aspect", "", "float64", "Length by width of an oval."),
    ("waist", "", "float64", "Waist of an hourglass by its lobes' diameter."),
    ("lobes", "", "int64", "Scallops of the margin."),
    ("lobe_depth", "", "float64", "Their depth by the radius."),
    ("wobble", "", "float64", "Irregularity of the outline by the radius."),
    ("roundness", "", "float64", "0 a piece as cut, 1 healed to a disc."),
    ("morph", "", "string", "Colour form."),
    ("texture", "", "string", "ridges, bubbles, velvet or warts."),
    ("vigour", "", "float64", "0 bleached, 1 full colour."),
    ("mouths", "", "int64", "How many."),
    ("mouth_gap_mm", "mm", "float64", "How far apart."),
    ("mouth_length", "", "float64", "Each one's length by the polyp's diameter."),
    ("wound_mm2", "mm2", "float64", "Pale exposed tissue along the cut edge."),
    ("seed", "", "int64", "Chance in its looks; the same on every date."),
)

_CASTS = {"string": str, "int64": int, "float64": float}


def _cell(column: Column, text: str, where: str) -> Any:
    try:
        return _CASTS[column.dtype](text)
    except ValueError:
        wanted = "a whole number" if column.dtype == "int64" else "a number"
        raise TableError(
            f"{where}: {column.name} is {text!r}, not {wanted}; correct the cell."
        ) from None


def _rows(
    table: pd.DataFrame, columns: tuple[Column, ...], what: str
) -> list[tuple[str, dict[str, Any]]]:
    """Where each row stands (for messages) and its filled cells by column."""
    known = {column.name: column for column in columns}
    strange = [name for name in table.columns if name not in known]
    if strange:
        raise TableError(
            f"{what}: unknown columns {', '.join(map(str, strange))}; "
            f"the columns are {', '.join(known)}."
        )
    rows = []
    for number, record in enumerate(table.to_dict("records"), start=2):
        where = f"{what}, line {number}"
        cells = {
            str(name): _cell(known[str(name)], str(value).strip(), where)
            for name, value in record.items()
            if not pd.isna(value) and str(value).strip()
        }
        rows.append((where, cells))
    return rows


def _made(kind: type, cells: Mapping[str, Any], where: str) -> Any:
    """Return one of the scene's dataclasses from those of the cells that are its fields."""
    own: dict[str, Field[Any]] = {item.name: item for item in fields(kind)}
    missing = [
        name
        for name, item in own.items()
        if name not in cells and item.default is MISSING and item.default_factory is MISSING
    ]
    if missing:
        raise TableError(f"{where}: {', '.join(missing)} missing; fill the cell.")
    try:
        return kind(**{name: value for name, value in cells.items() if name in own})
    except TableError as error:
        raise TableError(f"{where}: {error}") from None


def _date(cells: dict[str, Any], where: str) -> dict[str, Any]:
    text = cells.get("taken_at")
    if text is None:
        return cells
    try:
        return {**cells, "taken_at": datetime.fromisoformat(text)}
    except ValueError:
        raise TableError(
            f"{where}: taken_at is {text!r}, not a date like 2031-03-04T10:15:00+10:00."
        ) from None


def _thing(cells: dict[str, Any], where: str) -> PolypSpec | FurnitureSpec | SmallCard:
    kind = cells.get("thing", "")
    if kind not in ("polyp", "card", *FURNITURE):
        raise TableError(
            f"{where}: thing is {kind!r}; choose from polyp, card, {', '.join(FURNITURE)}."
        )
    values = {name: value for name, value in cells.items() if name not in ("photo", "thing")}
    wanted: type = {"polyp": PolypSpec, "card": SmallCard}.get(kind, FurnitureSpec)
    if wanted is FurnitureSpec:
        values["kind"] = kind
    own = {item.name for item in fields(wanted)}
    spare = sorted(values.keys() - own)
    if spare:
        raise TableError(f"{where}: a {kind} has no {', '.join(spare)}; empty the cell.")
    made: PolypSpec | FurnitureSpec | SmallCard = _made(wanted, values, where)
    return made


def scenes_from_tables(photos: pd.DataFrame, things: pd.DataFrame) -> tuple[Scene, ...]:
    """Return the scenes described by two tables, in the order of the photos.

    Parameters
    ----------
    photos : pandas.DataFrame
        Columns out of `PHOTO_COLUMNS`.
    things : pandas.DataFrame
        Columns out of `THING_COLUMNS`.

    Raises
    ------
    TableError
        With the line and column that cannot be right.
    """
    found: dict[str, list[Any]] = {}
    for where, cells in _rows(things, THING_COLUMNS, "things"):
        name = str(cells.get("photo", ""))
        found.setdefault(name, []).append((where, _thing(cells, where)))
    scenes = []
    for where, cells in _rows(photos, PHOTO_COLUMNS, "photos"):
        mine = [thing for _, thing in found.pop(str(cells.get("photo", "")), [])]
        scenes.append(
            _made(
                Scene,
                {
                    **_date(cells, where),
                    "camera": _made(Camera, cells, where),
                    "light": _made(Light, cells, where),
                    "cards": tuple(item for item in mine if isinstance(item, SmallCard)),
                    "polyps": tuple(item for item in mine if isinstance(item, PolypSpec)),
                    "furniture": tuple(item for item in mine if isinstance(item, FurnitureSpec)),
                },
                where,
            )
        )
    if found:
        name, rows = next(iter(found.items()))
        raise TableError(f"{rows[0][0]}: no photo is called {name!r}; add it to the photos table.")
    return tuple(scenes)


def _values(item: Any) -> dict[str, Any]:
    return {entry.name: getattr(item, entry.name) for entry in fields(item)}


def tables_from_scenes(scenes: Iterable[Scene]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the photos table and the things table of scenes: the inverse of reading them."""
    photos: list[dict[str, Any]] = []
    things: list[dict[str, Any]] = []
    for scene in scenes:
        row = {**_values(scene), **_values(scene.camera), **_values(scene.light)}
        photos.append({**row, "seed": scene.seed, "taken_at": scene.taken_at.isoformat()})
        for card in scene.cards:
            things.append({"photo": scene.photo, "thing": "card", **_values(card)})
        for polyp in scene.polyps:
            things.append({"photo": scene.photo, "thing": "polyp", **_values(polyp)})
        for thing in scene.furniture:
            things.append({"photo": scene.photo, "thing": thing.kind, **_values(thing)})
    return (
        _text_table(photos, PHOTO_COLUMNS),
        _text_table(things, THING_COLUMNS),
    )


def _text_table(rows: list[dict[str, Any]], columns: tuple[Column, ...]) -> pd.DataFrame:
    """A table of text, so that a whole number stays one beside empty cells."""
    return pd.DataFrame(
        [
            {c.name: "" if row.get(c.name) is None else str(row[c.name]) for c in columns}
            for row in rows
        ],
        columns=[column.name for column in columns],
        dtype=str,
    )
