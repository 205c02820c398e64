"""Lens profiles, and which of them holds for a photo."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from polypvision.calibrate.lens import (
    FittedLens,
    Lens,
    cropped_lens,
    exif_lens,
    upright_lens,
    usual_lens,
)

_SAME_FOCAL = 0.02
"""Focal lengths nearer than this are one: Exif rounds them."""
_SAME_ASPECT = 0.01
_ZOOMED = 1.01
_ZOOM_ERR = 0.15
"""Relative uncertainty of a zoomed photo's focal length: whether its Exif counts the zoom in
depends on the camera (own estimate)."""


@dataclass(frozen=True, kw_only=True)
class PhotoCamera:
    """What a photo's Exif says of its camera, and its size as stored.

    Attributes
    ----------
    make, model : str
        Empty if unknown.
    focal_mm, focal_35mm : float or None
        Focal length, and its equivalent on 35 mm film.
    zoom : float
        Digital zoom; 1 is none.
    exif_px : tuple of 2 ints or None
        Width and height as the camera wrote them down.
    stored_px : tuple of 2 ints
        Width and height of the pixels in the file.
    orientation : int
    """

    make: str = ""
    model: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    zoom: float = 1.0
    exif_px: tuple[int, int] | None = None
    stored_px: tuple[int, int]
    orientation: int = 1

    @property
    def upright_px(self) -> tuple[int, int]:
        """Width and height of the upright photo."""
        width, height = self.stored_px
        return (height, width) if self.orientation in (5, 6, 7, 8) else (width, height)

    @property
    def cropped(self) -> bool:
        """Whether the file's pixels are not the picture that the camera wrote down."""
        return self.exif_px is not None and not _same_shape(self.exif_px, self.stored_px)


@dataclass(frozen=True, kw_only=True)
class LensProfile(FittedLens):
    """One lens at one focal length, calibrated from photos of a board.

    Attributes
    ----------
    make, model : str
    focal_mm, focal_35mm : float or None
    width_px, height_px : int
        Of the photos, as stored.
    n_photos : int
        On how many it rests.
    """

    make: str
    model: str
    focal_mm: float | None
    focal_35mm: float | None
    width_px: int
    height_px: int
    n_photos: int

    @property
    def name(self) -> str:
        """Camera and focal length, for people."""
        focal = f" {self.focal_mm:g} mm" if self.focal_mm else ""
        return f"{self.make} {self.model}{focal}".strip()


@dataclass(frozen=True, kw_only=True)
class LensChoice:
    """What is known of one photo's lens, and what is to be said of it.

    Attributes
    ----------
    lens : Lens or None
        None where nothing is known.
    flags : tuple of str
        'zoomed', 'cropped' or 'other-lens'.
    """

    lens: Lens | None
    flags: tuple[str, ...] = ()


def _same_shape(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether two sizes have the same aspect, either way up."""
    aspects = [max(size) / max(min(size), 1) for size in (one, other)]
    return abs(aspects[0] / aspects[1] - 1) <= _SAME_ASPECT


def _near(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one / other - 1) <= _SAME_FOCAL


def same_camera(profile: LensProfile, camera: PhotoCamera) -> bool:
    """Whether a profile is of a photo's camera and focal length."""
    return (
        profile.make.strip().lower() == camera.make.strip().lower()
        and profile.model.strip().lower() == camera.model.strip().lower()
        and _near(profile.focal_mm, camera.focal_mm)
    )


def _by_exif(camera: PhotoCamera) -> Lens | None:
    if camera.focal_35mm is None:
        return None
    return exif_lens(*camera.upright_px, camera.focal_35mm)


def _of_profile(profile: LensProfile, camera: PhotoCamera) -> Lens:
    """The profile's lens in the pixels of one upright photo."""
    width, height = camera.stored_px
    orientation = camera.orientation
    if (width > height) != (profile.width_px > profile.height_px):
        # A photo that was turned for good: which way is not known, and hardly matters.
        width, height, orientation = height, width, 6
    size = width / profile.width_px
    x, y = ((c + 0.5) * size - 0.5 for c in profile.centre_px)
    stored = Lens(
        focal_px=profile.focal_px * size,
        focal_err=profile.focal_err,
        centre_px=(x, y),
        centre_err_px=profile.centre_err_px * size,
        distortion=profile.distortion,
        bend_err=profile.bend_err,
        corner_px=math.hypot(width, height) / 2,
        source="profile",
        name=profile.name,
    )
    return upright_lens(stored, orientation, (width, height))


def choose_lens(
    profiles: Sequence[LensProfile], camera: PhotoCamera, *, needed: bool = False
) -> LensChoice:
    """Return what is known of a photo's lens.

    A profile holds for photos of the same camera and focal length that show the whole picture,
    smaller or not. A zoomed or cropped photo takes none.

    Parameters
    ----------
    profiles : sequence of LensProfile
        The last that fits is taken.
    camera : PhotoCamera
    needed : bool
        Whether the focal length matters to this reading, even without a profile.
    """
    said = bool(profiles) or needed
    fitting = [one for one in profiles if same_camera(one, camera)]
    usual = usual_lens(*camera.upright_px)
    if camera.cropped or any(
        not _same_shape((one.width_px, one.height_px), camera.stored_px) for one in fitting[-1:]
    ):
        return LensChoice(lens=cropped_lens(*camera.upright_px), flags=("cropped",) if said else ())
    zoomed = camera.zoom > _ZOOMED or any(
        not _near(one.focal_35mm, camera.focal_35mm) for one in fitting[-1:]
    )
    if zoomed:
        rough = _by_exif(camera) or usual
        rough = replace(rough, focal_err=max(rough.focal_err, _ZOOM_ERR))
        return LensChoice(lens=rough, flags=("zoomed",) if said else ())
    if fitting:
        return LensChoice(lens=_of_profile(fitting[-1], camera))
    return LensChoice(lens=_by_exif(camera), flags=("other-lens",) if profiles else ())
