"""One photo read from beginning to end: the stages in the order of the data's flow."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.lens import Lens
from polypvision.calibrate.photo import view_at_scale, view_of_photo
from polypvision.calibrate.picture import Photo, photo_of
from polypvision.calibrate.surroundings import Surroundings
from polypvision.calibrate.view import PlateView
from polypvision.calibrate.water import REEF_SALINITY, REEF_TEMPERATURE_C, water_index
from polypvision.errors import CardsOfTwoPlates, ScaleDoubtful, SurroundingsDoubtful
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.reading import PhotoFacts, PlateReading, Polyp
from polypvision.segment.discs import segment_polyps
from polypvision.segment.maps import blank_maps, read_maps

TRADE_MM = (4.0, 150.0)
"""Diameters between which nearly all polyps in the trade lie, from small zoanthids to large
Discosoma and Rhodactis (common practice, no source). Only the typical size on a photo is held
against them: a single polyp may be smaller or larger."""
_FIELD_MM = 800.0
"""A photo without a card shows less: a rack, not a whole reef (common practice, no source)."""
_USUAL_FIELD_MM = (80.0, 300.0)
"""What a photo of polyps usually shows. A scale that says so is not doubted because little is
found: a tenth of it would be a field of some millimetres, ten times it a whole tank."""
_LITTLE = 0.01
"""Less of a photo than this is dust, if it is all that is found."""
_COARSEST_MM_PER_PX = 0.5
"""Beyond, a mouth of 1 mm is two pixels and none can be seen."""
_CLEAR = 0.02
"""Evidence for polyps at another scale that makes the one given doubtful."""


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
    polyp_test : bool
        Whether what is found must look like a polyp. Without, everything round that stands out is
        found by its shape alone, and no mouths or wounds are looked for.
    disc_height_mm, water_depth_mm, port_mm : float, float or None, float or None
        As in `calibrate.surroundings.Surroundings`, with their uncertainties; None for one of
        these takes what is usual.
    salinity, temperature_c : float or None
        Of the water; None takes a reef's.
    """

    mm_per_px: float | None = None
    bar_mm: float | None = None
    plate: str | None = None
    normal_mouths: int = 1
    polyp_test: bool = True
    disc_height_mm: float = 0.0
    disc_height_err_mm: float | None = None
    water_depth_mm: float | None = None
    water_depth_err_mm: float | None = None
    port_mm: float | None = None
    salinity: float | None = None
    temperature_c: float | None = None

    @property
    def surroundings(self) -> Surroundings:
        """What was said of heights and water.

        Raises
        ------
        SurroundingsDoubtful
            If it cannot be.
        """
        said = {
            "water_depth_mm": self.water_depth_mm,
            "port_mm": self.port_mm,
            "disc_height_err_mm": self.disc_height_err_mm,
            "water_depth_err_mm": self.water_depth_err_mm,
        }
        index = water_index(
            REEF_SALINITY if self.salinity is None else self.salinity,
            REEF_TEMPERATURE_C if self.temperature_c is None else self.temperature_c,
        )
        given = {name: value for name, value in said.items() if value is not None}
        return Surroundings(disc_height_mm=self.disc_height_mm, index=index, **given)


def view_plate(photo: Photo, settings: ReadSettings, lens: Lens | None = None) -> PlateView:
    """Return the plate of a photo, straightened: what tells which plate it is, and little work.

    Parameters
    ----------
    photo, settings, lens
        As in `read_plate`, and so are the errors.
    """
    surroundings = settings.surroundings
    if settings.mm_per_px is None:
        view = view_of_photo(photo, bar_mm=settings.bar_mm, lens=lens, surroundings=surroundings)
        return replace(view, plate=_plate(view, settings))
    if settings.polyp_test:
        _refuse_vast_field(photo, settings.mm_per_px)
    if not surroundings.plain:
        raise SurroundingsDoubtful(
            "A scale was given by hand together with a height or water. Such a scale is that of "
            "the discs themselves: leave the height and the water out."
        )
    view = view_at_scale(photo.at_scale(settings.mm_per_px), settings.mm_per_px)
    return replace(view, plate=settings.plate)


def _plate(view: PlateView, settings: ReadSettings) -> str | None:
    if view.plate and settings.plate and view.plate != settings.plate.zfill(4):
        raise CardsOfTwoPlates(
            f"The card says plate {view.plate}, but the photo was given for plate "
            f"{settings.plate}; check which plate it shows."
        )
    return view.plate or settings.plate


def read_plate(
    photo: Photo | NDArray[np.uint8],
    facts: PhotoFacts,
    settings: ReadSettings | None = None,
    lens: Lens | None = None,
) -> PlateReading:
    """Read one photo of a plate.

    Parameters
    ----------
    photo : Photo, or ndarray (H, W, 3) of uint8
        Upright.
    facts : PhotoFacts
        Carried into the reading.
    settings : ReadSettings, optional
    lens : Lens, optional
        What is known of the photo's lens.

    Returns
    -------
    PlateReading
        Without polyps if none are seen.

    Raises
    ------
    CardError, QualityError
        If the photo gives no scale, or would give misleading numbers. `ScaleDoubtful` if at the
        scale that was given hardly anything is seen, but polyps are at a tenth or ten times it.
    SurroundingsDoubtful
        If what was said of heights and water cannot be.
    """
    settings = settings or ReadSettings()
    photo = photo if isinstance(photo, Photo) else photo_of(photo)
    return read_view(photo, view_plate(photo, settings, lens), facts, settings)


def read_view(
    photo: Photo, view: PlateView, facts: PhotoFacts, settings: ReadSettings
) -> PlateReading:
    """Read a photo of which there is a view already.

    Parameters
    ----------
    photo, facts, settings
        As in `read_plate`, and so are the errors.
    view : PlateView
        Of that photo by `view_plate`, with the same settings.
    """
    given = settings.mm_per_px if settings.polyp_test else None
    polyps, cut_off = _polyps(view, settings)
    flags = set(view.flags) | ({"cut-off"} if cut_off else set())
    if given is not None and not _plausible(polyps, view):
        _refuse_other_scale(photo, given, polyps, view)
        flags |= {"scale-doubtful"} if polyps else set()
    return PlateReading(
        facts=facts,
        plate=view.plate,
        scale=view.scale,
        polyps=polyps,
        flags=tuple(flags),
        plate_to_photo=view.plate_to_photo,
        sight=view.sight,
    )


def _polyps(view: PlateView, settings: ReadSettings) -> tuple[tuple[Polyp, ...], int]:
    """Return the polyps, and how many the view's edge cuts off too far to be counted."""
    if settings.polyp_test:
        maps = read_maps(view)
        polyp_map = segment_polyps(view, maps)
    else:
        # Loaded only here: hardly any reading asks for it.
        from polypvision.segment.shapes import find_discs

        maps = blank_maps(view)
        polyp_map = find_discs(view)
    mouths = find_mouths(view, maps, polyp_map)
    polyps = measure_polyps(view, maps, polyp_map, mouths, normal_mouths=settings.normal_mouths)
    return polyps, polyp_map.cut_off


def _share(polyps: Sequence[Polyp], view: PlateView) -> float:
    """Part of the view that polyps cover."""
    return sum(polyp.area_mm2 for polyp in polyps) * view.px_per_mm**2 / view.valid.size


def _typical_mm(polyps: Sequence[Polyp]) -> float:
    return float(np.median([polyp.diameter_mm for polyp in polyps]))


def _whole(polyps: Sequence[Polyp]) -> list[Polyp]:
    return [polyp for polyp in polyps if "touches-edge" not in polyp.flags]


def _plausible(polyps: Sequence[Polyp], view: PlateView) -> bool:
    """Whether what was found may be all there is, at the scale of the view."""
    whole = _whole(polyps)
    if not whole or _share(polyps, view) < _LITTLE:
        return False
    return TRADE_MM[0] <= _typical_mm(whole) <= TRADE_MM[1]


def _evidence(polyps: Sequence[Polyp], view: PlateView) -> float:
    """How much of the view polyps of likely sizes surely cover; half for those cut by its edge."""
    likely = [polyp for polyp in polyps if TRADE_MM[0] <= polyp.diameter_mm <= TRADE_MM[1]]
    return sum(
        _share([polyp], view)
        * max(2 * polyp.score - 1, 0.0)
        * (0.5 if "touches-edge" in polyp.flags else 1.0)
        for polyp in likely
    )


def _seen_at(photo: Photo, mm_per_px: float) -> tuple[float, str]:
    """Return the evidence for polyps at another scale, and what is seen there in words."""
    view = view_at_scale(photo.at_scale(mm_per_px), mm_per_px)
    polyps, _ = _polyps(view, ReadSettings())
    if not polyps:
        return 0.0, ""
    count = f"{len(polyps)} polyps" if len(polyps) > 1 else "one polyp"
    words = f"at {mm_per_px:.3g} mm per pixel {count} of about {_typical_mm(polyps):.0f} mm"
    return _evidence(polyps, view), words


_REMEDY = (
    "Measure again how many millimetres a pixel is, or lay a printed card beside the polyps and "
    "leave the scale to it."
)


def _refuse_vast_field(photo: Photo, mm_per_px: float) -> None:
    """Refuse a scale at which the photo would show more than anybody photographs."""
    field_mm = max(photo.size_px) * mm_per_px
    if field_mm <= _FIELD_MM and mm_per_px <= _COARSEST_MM_PER_PX:
        return
    seen = ""
    if max(field_mm / _FIELD_MM, mm_per_px / _COARSEST_MM_PER_PX) <= 10:
        evidence, words = _seen_at(photo, mm_per_px / 10)
        seen = f" But {words} can be seen." if evidence >= _CLEAR else ""
    raise ScaleDoubtful(
        f"At {mm_per_px:.3g} mm per pixel this photo would be {field_mm / 1000:.2g} m wide and "
        f"a mouth of 1 mm {1 / mm_per_px:.2g} pixels.{seen} {_REMEDY}"
    )


def _refuse_other_scale(
    photo: Photo, mm_per_px: float, polyps: Sequence[Polyp], view: PlateView
) -> None:
    """Refuse a scale if polyps are clearly seen at a tenth or ten times it, and not at it."""
    found = f"only {len(polyps)} of about {_typical_mm(polyps):.1f} mm" if polyps else "no polyp"
    field_mm = max(photo.size_px) * mm_per_px
    if _USUAL_FIELD_MM[0] <= field_mm <= _USUAL_FIELD_MM[1]:
        return
    other = mm_per_px * 10 if field_mm < _USUAL_FIELD_MM[0] else mm_per_px / 10
    if other > _COARSEST_MM_PER_PX:
        return
    evidence, words = _seen_at(photo, other)
    # What fills the picture and goes beyond it may be anything: it says nothing for its scale.
    if evidence >= max(_CLEAR, _evidence(_whole(polyps), view)):
        raise ScaleDoubtful(
            f"At {mm_per_px:.3g} mm per pixel {found} can be seen, but {words}. {_REMEDY}"
        )
