"""Lens profiles as JSON files, and what a photo's Exif says of its camera."""

import json
import os
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from polypvision.calibrate.profile import LensProfile, PhotoCamera
from polypvision.errors import LensError
from polypvision.files.outputs import make_folder, write_text
from polypvision.files.pixels import header_of
from polypvision.files.places import default_profiles

_MAKE, _MODEL, _ORIENTATION = 0x010F, 0x0110, 0x0112
_FOCAL, _FOCAL_35, _ZOOM = 0x920A, 0xA405, 0xA404
_WIDTH, _HEIGHT = 0xA002, 0xA003
_KIND = "polypvision lens profile"
_MOST = 1e6
"""No lens, picture or focal length is larger, in px or mm."""


def _number(value: object) -> float | None:
    """A tag's number; None if it is missing, 0 (which means unknown) or nonsense."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < 1e6 else None


def _text(value: object) -> str:
    return re.sub(r"\s+", " ", str(value or "").replace("\x00", " ")).strip()


def photo_camera(data: bytes, shown: str) -> PhotoCamera:
    """Return what a photo's bytes say of its camera.

    Source of the tags: Exif 2.3 (CIPA DC-008), from memory.

    Raises
    ------
    PhotoUnreadable
        If it is no photo.
    """
    header = header_of(data, shown)
    main, more = header.main, header.exif
    width, height = _number(more.get(_WIDTH)), _number(more.get(_HEIGHT))
    return PhotoCamera(
        make=_text(main.get(_MAKE)),
        model=_text(main.get(_MODEL)),
        focal_mm=_number(more.get(_FOCAL)),
        focal_35mm=_number(more.get(_FOCAL_35)),
        zoom=_number(more.get(_ZOOM)) or 1.0,
        exif_px=(round(width), round(height)) if width and height else None,
        stored_px=header.size_px,
        orientation=header.orientation,
    )


def profile_path(folder: Path, profile: LensProfile) -> Path:
    """Return where a profile is kept."""
    return folder / (
        re.sub(r"[^a-z0-9.]+", "-", f"lens {profile.name}".lower()).strip("-") + ".json"
    )


def write_profile(folder: Path, profile: LensProfile) -> Path:
    """Write a profile in place of an older one of the same lens, and return where.

    Raises
    ------
    OutputError
    """
    make_folder(folder)
    path = profile_path(folder, profile)
    write_text(path, json.dumps({"kind": _KIND, **asdict(profile)}, indent=2) + "\n")
    return path


def read_profiles(folder: Path) -> tuple[LensProfile, ...]:
    """Return the profiles of a folder in the order of their files' names; none if it is not there.

    Raises
    ------
    LensError
        If a file of the folder that is called a profile is none, or the folder may not be read.
    """
    try:
        paths = sorted(folder.glob("lens-*.json"))
    except PermissionError as error:
        raise LensError(
            f"The folder of lens profiles {folder} may not be read. Give another with "
            "--profiles, or change its permissions."
        ) from error
    return tuple(_read(path) for path in paths)


def usual_profiles() -> tuple[LensProfile, ...]:
    """Return the profiles beside the logbook; none if there is no such folder to look into.

    Raises
    ------
    LensError
    """
    folder = default_profiles()
    return read_profiles(folder) if os.access(folder, os.R_OK | os.X_OK) else ()


def _read(path: Path) -> LensProfile:
    try:
        values: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if values.pop("kind") != _KIND:
            raise ValueError("it is of another kind")
        known: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in values.items()
        }
        profile = LensProfile(**known)
        if not _possible(profile):
            raise ValueError("its numbers cannot be")
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise LensError(
            f"{path} is no lens profile that can be used ({error}). Move it away, or make it anew "
            "with: polypvision lens PHOTOS"
        ) from error
    return profile


def _possible(profile: LensProfile) -> bool:
    """Whether a profile's values are of their kind and could be those of a lens."""
    if not (isinstance(profile.make, str) and isinstance(profile.model, str)):
        return False
    lengths = (profile.focal_px, profile.width_px, profile.height_px)
    # Exif does not always tell these.
    told = [one for one in (profile.focal_mm, profile.focal_35mm) if one is not None]
    others = (
        *profile.centre_px,
        *profile.distortion,
        profile.focal_err,
        profile.centre_err_px,
        profile.bend_err,
        profile.n_photos,
        profile.rms_px,
        profile.coverage,
    )
    return (
        len(profile.centre_px) == 2
        and len(profile.distortion) == 5
        and all(1 <= one <= _MOST for one in lengths)
        and all(0 < one <= _MOST for one in told)
        and all(-_MOST <= one <= _MOST for one in others)
    )
