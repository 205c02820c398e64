"""A lens profile from photos of the printed board."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from polypvision.calibrate.board import BoardView, LensFit, calibrate_lens, check_lens, find_board
from polypvision.calibrate.lens import FittedLens, stored_to_upright
from polypvision.calibrate.profile import LensProfile, PhotoCamera
from polypvision.errors import LensError, PhotoError
from polypvision.files.lenses import photo_camera, write_profile
from polypvision.files.photos import find_photos, read_file, shown_path
from polypvision.files.pixels import decode
from polypvision.files.places import default_profiles
from polypvision.plates.read import Progress
from polypvision.words import counted


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardPhoto:
    """One photo of the board: what became of it, in words, and how well it fits."""

    photo: str
    remark: str
    rms_px: float


@dataclass(frozen=True, kw_only=True, eq=False)
class LensReport:
    """A profile that was made, where it lies, and what it rests on."""

    profile: LensProfile
    path: Path
    fit: LensFit
    photos: tuple[BoardPhoto, ...]


def _stored(view: BoardView, camera: PhotoCamera) -> BoardView:
    """The view in the pixels of the photo as the sensor stored it."""
    matrix, shift = stored_to_upright(camera.orientation, camera.stored_px)
    back = (view.photo_px - shift) @ matrix
    return BoardView(board_mm=view.board_mm, photo_px=np.asarray(back, np.float64))


def _one_lens(cameras: Sequence[tuple[str, PhotoCamera]]) -> PhotoCamera:
    """Return the camera that all photos share, or say which differ."""
    first_name, first = cameras[0]
    if not first.model:
        raise LensError(
            f"{first_name} does not say which camera made it, so a profile could not be matched to "
            "photos. Copy the originals from the phone; messengers strip that."
        )
    for name, camera in cameras:
        ours = (first.make, first.model, first.focal_mm, first.focal_35mm, first.stored_px)
        other = (camera.make, camera.model, camera.focal_mm, camera.focal_35mm, camera.stored_px)
        if ours != other:
            raise LensError(
                f"{first_name} and {name} differ in camera, focal length or size. Give photos of "
                "one lens without zoom, as the camera stored them."
            )
        if camera.cropped or camera.zoom > 1.01:
            raise LensError(
                f"{name} was {'cropped' if camera.cropped else 'zoomed digitally'}. Take the "
                "photos without zoom and give the originals."
            )
    return first


def make_profile(
    paths: Iterable[Path], folder: Path | None = None, *, progress: Progress | None = None
) -> LensReport:
    """Calibrate a lens from photos of the board, judge it, and write its profile.

    Parameters
    ----------
    paths : iterable of Path
        Photos, or folders of them.
    folder : Path, optional
        Where profiles are kept; else the one beside the logbook.
    progress : callable, optional

    Raises
    ------
    LensError
        If the photos are of different lenses, too few, or do not bear out one lens.
    OutputError
    """
    found = list(find_photos(paths))
    if not found:
        raise LensError(f"No photo was found in {', '.join(map(str, paths))}. Check the name.")
    views: list[BoardView] = []
    cameras: list[tuple[str, PhotoCamera]] = []
    remarks: dict[str, str] = {}
    for done, (path, trouble) in enumerate(found):
        name = shown_path(path)
        if progress:
            progress(done, len(found), str(path))
        try:
            if trouble is not None:
                raise trouble
            photo = read_file(path)
            camera = photo_camera(photo.data, photo.shown)
            view = find_board(decode(photo.data, photo.shown))
        except PhotoError as error:
            remarks[name] = str(error)
            continue
        remarks[name] = "" if view is not None else "the board was not found"
        if view is not None:
            views.append(_stored(view, camera))
            cameras.append((name, camera))
    if not views:
        raise LensError(
            f"The board was found in none of {counted(len(found), 'photo')}. Print it with: "
            "polypvision card --kind board, and photograph the whole of it, sharp and without "
            "glare."
        )
    camera = _one_lens(cameras)
    fit = calibrate_lens(views, camera.stored_px)
    check_lens(fit, camera.stored_px)
    residuals = dict(zip((name for name, _ in cameras), fit.photo_rms_px, strict=True))
    profile = LensProfile(
        make=camera.make,
        model=camera.model,
        focal_mm=camera.focal_mm,
        focal_35mm=camera.focal_35mm,
        width_px=camera.stored_px[0],
        height_px=camera.stored_px[1],
        n_photos=int(np.isfinite(fit.photo_rms_px).sum()),
        **{one.name: getattr(fit, one.name) for one in fields(FittedLens)},
    )
    return LensReport(
        profile=profile,
        path=write_profile(folder or default_profiles(), profile),
        fit=fit,
        photos=tuple(
            BoardPhoto(
                photo=Path(name).name,
                remark=remark or ("left out: fits badly" if np.isnan(residuals[name]) else ""),
                rms_px=residuals.get(name, float("nan")),
            )
            for name, remark in remarks.items()
        ),
    )
