"""One photo read from beginning to end: the stages in the order of the data's flow."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import PlateView
from polypvision.errors import CardsOfTwoPlates
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.reading import PhotoFacts, PlateReading
from polypvision.segment.discs import segment_polyps
from polypvision.segment.maps import read_maps


@dataclass(frozen=True, kw_only=True)
class ReadSettings:
    """What a person may say about a photo before it is read.

    Attributes
    ----------
    mm_per_px : float or None
        Scale of a photo without a card.
    bar_mm : float or None
        True length of the card's printed bar, by callipers.
    plate : str or None
        Name of the plate; with a card it must be the card's code.
    normal_mouths : int
        Mouths that are normal for the line on this plate. One for most; several kinds of
        Ricordea and Rhodactis carry more without being about to divide.
    """

    mm_per_px: float | None = None
    bar_mm: float | None = None
    plate: str | None = None
    normal_mouths: int = 1


def _view(rgb: NDArray[np.uint8], settings: ReadSettings) -> PlateView:
    if settings.mm_per_px is not None:
        return view_at_scale(rgb, settings.mm_per_px)
    return view_from_card(rgb, bar_mm=settings.bar_mm)


def _plate(view: PlateView, settings: ReadSettings) -> str | None:
    if view.plate and settings.plate and view.plate != settings.plate.zfill(4):
        raise CardsOfTwoPlates(
            f"The card says plate {view.plate}, but the photo was given for plate "
            f"{settings.plate}; check which plate it shows."
        )
    return view.plate or settings.plate


def read_plate(
    rgb: NDArray[np.uint8], facts: PhotoFacts, settings: ReadSettings | None = None
) -> PlateReading:
    """Read one photo of a plate.

    Parameters
    ----------
    rgb : ndarray (H, W, 3) of uint8
        Upright photo.
    facts : PhotoFacts
        Carried into the reading.
    settings : ReadSettings, optional

    Returns
    -------
    PlateReading
        Without polyps if none are seen.

    Raises
    ------
    CardError, QualityError
        If the photo gives no scale, or would give misleading numbers.
    """
    settings = settings or ReadSettings()
    view = _view(rgb, settings)
    plate = _plate(view, settings)
    maps = read_maps(view)
    polyp_map = segment_polyps(view, maps)
    mouths = find_mouths(view, maps, polyp_map)
    polyps = measure_polyps(view, maps, polyp_map, mouths, normal_mouths=settings.normal_mouths)
    return PlateReading(facts=facts, plate=plate, scale=view.scale, polyps=polyps, flags=view.flags)
