"""Every column that leaves polypvision in a table: name, unit, type and one sentence, written once.

Tables, pages, database and documentation read them from here.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        As written in CSV and Parquet; carries its unit where it has one.
    unit : str
        Empty for a pure number or a word.
    dtype : str
        The pandas dtype.
    meaning : str
        One sentence.
    """

    name: str
    unit: str
    dtype: str
    meaning: str


def _column(name: str, unit: str, dtype: str, meaning: str) -> Column:
    return Column(name=name, unit=unit, dtype=dtype, meaning=meaning)


_PHOTO = _column("photo", "", "string", "File name of the photo.")
_SHA = _column("sha256", "", "string", "Hash of the photo's bytes.")
_PLATE = _column("plate", "", "string", "Plate code as printed on its card.")
_TAKEN = _column("taken_at", "", "string", "Date and time of the photo, ISO 8601.")
_LABEL = _column("label", "", "int64", "Number of the polyp on this photo.")
_X = _column("x_mm", "mm", "float64", "Plate coordinate of the centroid, to the right.")
_Y = _column("y_mm", "mm", "float64", "Plate coordinate of the centroid, downwards.")

PHOTOS: tuple[Column, ...] = (
    _PLATE,
    _TAKEN,
    _PHOTO,
    _SHA,
    _column("error", "", "string", "Why the photo could not be read; empty if it was."),
    _column("mm_per_px", "mm", "float64", "Millimetres per photo pixel, middle of the plate."),
    _column("mm_per_px_err", "mm", "float64", "Standard uncertainty of mm_per_px."),
    _column("reprojection_px", "px", "float64", "RMS reprojection error of the card's corners."),
    _column("n_polyps", "", "int64", "Polyps seen."),
    _column("n_mouths", "", "int64", "Mouths seen."),
    _column("n_two_mouths", "", "int64", "Polyps with more mouths than normal for the line."),
    _column("area_mm2", "mm2", "float64", "Planform area of all polyps together."),
    _column("wound_mm2", "mm2", "float64", "Wound area of all polyps together."),
    _column("flags", "", "string", "Quality flags of the photo, separated by spaces."),
)

POLYPS: tuple[Column, ...] = (
    _PLATE,
    _TAKEN,
    _PHOTO,
    _SHA,
    _LABEL,
    _X,
    _Y,
    _column("diameter_mm", "mm", "float64", "Diameter of the circle with the same planform area."),
    _column("diameter_mm_err", "mm", "float64", "Standard uncertainty of diameter_mm."),
    _column("feret_max_mm", "mm", "float64", "Maximum Feret diameter."),
    _column("area_mm2", "mm2", "float64", "Planform area, wound included."),
    _column("area_mm2_err", "mm2", "float64", "Standard uncertainty of area_mm2."),
    _column("n_mouths", "", "int64", "Mouths seen."),
    _column("two_mouths_probability", "", "float64", "Probability of two mouths or more."),
    _column("wound_mm2", "mm2", "float64", "Pale exposed tissue at a cut edge."),
    _column("wound_mm2_err", "mm2", "float64", "Standard uncertainty of wound_mm2."),
    _column("wound_margin_mm", "mm", "float64", "Border between wound and living tissue."),
    _column("score", "", "float64", "How sure it is a polyp, 0 to 1."),
    _column("flags", "", "string", "Quality flags of the polyp, separated by spaces."),
    _column("corrected_by", "", "string", "People who corrected it, separated by semicolons."),
)

OBSERVATIONS: tuple[Column, ...] = (
    _PLATE,
    _column("individual", "", "string", "Name of the polyp through time on its plate."),
    *POLYPS[1:13],
    _column("closure_percent", "%", "float64", "Wound closed since the first photo after the cut."),
)

EVENTS: tuple[Column, ...] = (
    _PLATE,
    _column("date", "", "string", "Date of the event, ISO 8601; of a seen one, the photo's."),
    _column("kind", "", "string", "cut, loss, sale, division, note, or what the photos showed."),
    _column("individual", "", "string", "The polyp it concerns, if one."),
    _column("pieces", "", "Int64", "Pieces made by a cut, or polyps lost, sold or added."),
    _column("method", "", "string", "Way of cutting: halves, quarters, margin."),
    _column("donor", "", "string", "Where the cut polyp came from."),
    _column("dip", "", "string", "Dip used, and for how long."),
    _column("note", "", "string", "Anything else."),
    _column("source", "", "string", "log (a person wrote it) or photos (seen by comparison)."),
)

TRUTH: tuple[Column, ...] = (
    _PHOTO,
    _column("name", "", "string", "Name of the polyp in the rendered scene."),
    _X,
    _Y,
    _column("diameter_mm", "mm", "float64", "True diameter of the circle of the same area."),
    _column("feret_max_mm", "mm", "float64", "True maximum Feret diameter."),
    _column("area_mm2", "mm2", "float64", "True planform area, wound included."),
    _column("n_mouths", "", "int64", "True number of mouths."),
    _column("wound_mm2", "mm2", "float64", "True wound area."),
)


SCORES: tuple[Column, ...] = (
    _PHOTO,
    _column("n_true", "", "int64", "Polyps there, partial ones aside."),
    _column("n_found", "", "int64", "Polyps found, partial ones aside."),
    _column("tp", "", "int64", "Found and there (IoU above 0.5)."),
    _column("fp", "", "int64", "Found but not there."),
    _column("fn", "", "int64", "There but not found."),
    _column("precision", "", "float64", "Share of the found that is there."),
    _column("recall", "", "float64", "Share of the there that was found."),
    _column("f1", "", "float64", "Harmonic mean of precision and recall."),
    _column("panoptic_quality", "", "float64", "Sum of IoU over tp + fp/2 + fn/2."),
    _column("diameter_bias_percent", "%", "float64", "Mean of found minus true diameter."),
    _column("diameter_rmse_percent", "%", "float64", "Root mean square of the same."),
    _column("mouth_precision", "", "float64", "Share of the found mouths that are in place."),
    _column("mouth_recall", "", "float64", "Share of the true mouths that were found."),
    _column("wound_rmse_mm2", "mm2", "float64", "Root mean square error of the wound areas."),
    _column("error", "", "string", "Why the photo was refused; empty if it was read."),
)


def table(rows: Iterable[dict[str, object]], columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return rows as a table with exactly these columns, in order and with their types.

    Parameters
    ----------
    rows : iterable of dict
        Keys are column names; a missing key becomes a missing value.
    columns : tuple of Column

    Returns
    -------
    pandas.DataFrame
    """
    names = [column.name for column in columns]
    frame = pd.DataFrame.from_records(list(rows), columns=names)
    return frame.astype({column.name: column.dtype for column in columns})
