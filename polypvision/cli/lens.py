"""``polypvision lens``: a profile of a camera's lens from photos of the printed board."""

from pathlib import Path
from typing import Annotated

import typer

from polypvision.cli.common import number, progress_bar, show_table
from polypvision.words import counted


def lens(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO", help="Photos of the board, or folders.")
    ],
    profiles: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Where profiles are kept.",
            show_default="calibration, beside the logbook",
        ),
    ] = None,
) -> None:
    """Calibrate a camera's lens from 10 to 20 photos of the board that card --kind board prints.

    Hold the camera still and vary its place: straight on, tilted up to 45 degrees to all sides,
    the board in every corner of the picture. No zoom. The profile is used for photos of the same
    camera and focal length from then on; zoomed and cropped photos do without it and say so.
    """
    from polypvision.plates.lens import make_profile

    with progress_bar("Looking") as progress:
        made = make_profile(photos, profiles, progress=progress)
    show_table(
        ("photo", "miss\npx", ""),
        [(one.photo, number(one.rms_px, 2), one.remark) for one in made.photos],
        numbers=("miss\npx",),
        words=("photo", ""),
    )
    profile = made.profile
    typer.echo(
        f"{profile.name}: focal length {profile.focal_px:.0f} px "
        f"(± {100 * profile.focal_err:.2f} %), corners miss by {profile.rms_px:.2f} px, "
        f"{profile.coverage:.0%} of the picture covered, board tilted up to "
        f"{made.fit.tilt_deg:.0f} degrees, {counted(profile.n_photos, 'photo')} used."
    )
    if profile.coverage < 1.0:
        typer.echo("Surer with the board in the corners of the picture that were not covered.")
    typer.echo(f"Wrote {made.path}")
