"""Do the intervals hold the truth? Plates drawn with height, water, lens and blur, and read.

Every plate has one small card at one end. What its keeper says of height, water, lens and the
printed bar is off by a chance error of the size that the budget assumes; what nobody says is as it
usually is. Every outline is measured twice: as said, and with height, water and lens left out.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from polypvision.calibrate.lens import Lens, exif_lens, usual_lens
from polypvision.calibrate.photo import BAR_MM_ERR, PRINT_SCALE_ERR, view_from_card
from polypvision.calibrate.surroundings import DISC_HEIGHT_ERR_MM, WATER_DEPTH_ERR_MM
from polypvision.calibrate.view import apply_homography
from polypvision.calibrate.water import INDEX_ERR, water_index
from polypvision.card.layout import card_layout
from polypvision.errors import PolypvisionError
from polypvision.evaluate.drawn import (
    as_stored,
    beside_card,
    frame_plate,
    plate_seed,
    small_card_scene,
)
from polypvision.evaluate.overlap import match
from polypvision.evaluate.plain import plain
from polypvision.measure.overlap import iou_matrix
from polypvision.measure.shape import equivalent_diameter, polygon_area
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, PlateReading, Polyp
from polypvision.render.photo import render_scene
from polypvision.render.scene import Camera, Scene
from polypvision.render.truth import truth_reading
from polypvision.spread import Show, spread
from polypvision.words import counted

NORMAL_95 = 1.959964
"""Of the normal distribution."""
_WIDTH_PX, _HEIGHT_PX = 2000, 1333
_PROFILE_FOCAL_ERR, _PROFILE_BEND_ERR = 0.003, 0.0005
"""What a profile of ten or more photos of a board leaves uncertain (`polypvision lens`)."""
_GOOD_TILT_DEG, _GOOD_EDGE_PX = 25.0, 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Trial:
    """One plate, and what its keeper says of it.

    Attributes
    ----------
    scene : Scene
    settings : ReadSettings
    lens : Lens or None
        None where nothing of it is known.
    """

    scene: Scene
    settings: ReadSettings
    lens: Lens | None

    @property
    def good(self) -> bool:
        """Whether it is a good photo: near to straight down and sharp."""
        camera = self.scene.camera
        return camera.tilt_deg <= _GOOD_TILT_DEG and camera.defocus_px <= _GOOD_EDGE_PX


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One polyp that was found: what was read, its standard uncertainty, and the truth.

    Attributes
    ----------
    plain_diameter_mm : float
        The same outline with height, water and lens left out.
    parts_mm : dict of str to float
        What one standard uncertainty of each source does to the diameter.
    flags : tuple of str
    good : bool
        Whether its photo is a good one.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    diameter_mm_err: float
    true_diameter_mm: float
    wound_mm2: float
    wound_mm2_err: float
    true_wound_mm2: float
    plain_diameter_mm: float
    parts_mm: dict[str, float]
    flags: tuple[str, ...]
    good: bool

    @property
    def doubted(self) -> bool:
        """Whether a flag says that its size is no sure one."""
        return bool(DOUBTED & set(self.flags))

    @property
    def pull(self) -> float:
        """Error of the diameter in standard uncertainties."""
        return (self.diameter_mm - self.true_diameter_mm) / self.diameter_mm_err

    @property
    def wound_pull(self) -> float:
        """Error of the wound's area in standard uncertainties."""
        return (self.wound_mm2 - self.true_wound_mm2) / self.wound_mm2_err


def _normal(rng: np.random.Generator, sigma: float) -> float:
    return float(rng.normal(0.0, sigma))


def _camera(rng: np.random.Generator, bend: float) -> Camera:
    focal = _WIDTH_PX * rng.uniform(0.8, 1.3)
    corner = math.hypot(_WIDTH_PX, _HEIGHT_PX) / 2
    return Camera(
        width_px=_WIDTH_PX,
        height_px=_HEIGHT_PX,
        focal_px=float(focal),
        tilt_deg=float(rng.uniform(0, 40)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.choice([0, 180]) + rng.normal(0, 8)) % 360,
        defocus_px=float(rng.uniform(0.4, 1.6)),
        noise=float(rng.uniform(0.5, 3.0)),
        vignette=float(rng.uniform(0, 0.3)),
        k1=bend * (focal / corner) ** 2,
    )


def _lens(rng: np.random.Generator, camera: Camera, known: str) -> Lens | None:
    """What the keeper's phone says of its lens: a profile, its Exif, or nothing."""
    width, height = camera.width_px, camera.height_px
    if known == "usual":
        return None
    if known == "exif":
        rough = exif_lens(width, height, 30.0)
        return replace(rough, focal_px=camera.focal_px * math.exp(_normal(rng, rough.focal_err)))
    corner = usual_lens(width, height).corner_px
    slip = _normal(rng, _PROFILE_BEND_ERR) * (camera.focal_px / corner) ** 2
    return replace(
        usual_lens(width, height),
        focal_px=camera.focal_px * math.exp(_normal(rng, _PROFILE_FOCAL_ERR)),
        focal_err=_PROFILE_FOCAL_ERR,
        centre_err_px=2.0,
        distortion=(camera.k1 + slip, camera.k2, 0.0, 0.0, 0.0),
        bend_err=_PROFILE_BEND_ERR,
        source="profile",
    )


def random_trial(seed: int) -> Trial:
    """Return one plate with a small card at its end, and what is said of it."""
    rng = np.random.default_rng([seed, 20311])
    known = str(rng.choice(["profile", "exif", "usual"], p=[0.5, 0.25, 0.25]))
    bend = (
        rng.uniform(-0.03, 0.03) if known == "profile" else _normal(rng, usual_lens(4, 3).bend_err)
    )
    camera = _camera(rng, float(bend))
    height = float(rng.uniform(0, 25)) if rng.random() < 0.8 else 0.0
    depth = float(rng.uniform(0, 150)) if rng.random() < 0.67 else 0.0
    print_scale = 1 + _normal(rng, PRINT_SCALE_ERR)
    width, tall = rng.uniform(90, 125), rng.uniform(80, 100)
    box = beside_card(float(width), float(tall), -float(rng.uniform(10, tall - 60)))
    framed = frame_plate(camera, box, fill=0.84)
    # The lens must stay above the water.
    least = (height + depth + 60.0) / math.cos(math.radians(camera.tilt_deg))
    framed = replace(framed, distance_mm=max(framed.distance_mm, least))
    scene = replace(
        small_card_scene(seed, rng, box, framed, int(rng.integers(5, 13))),
        jpeg_quality=int(rng.integers(80, 96)),
        disc_height_mm=height,
        water_depth_mm=depth,
        water_index=water_index() + _normal(rng, INDEX_ERR),
        print_scale=print_scale,
    )
    bar_mm = card_layout("small").bar_mm * print_scale
    bar = bar_mm + _normal(rng, BAR_MM_ERR) if rng.random() < 0.5 else None
    # Unsaid, discs are about at the card's height; the truth is then 0 and the doubt stays.
    said_height = height + _normal(rng, DISC_HEIGHT_ERR_MM)
    said_depth = max(depth + _normal(rng, WATER_DEPTH_ERR_MM), 0.5) if depth else None
    settings = ReadSettings(bar_mm=bar, disc_height_mm=said_height, water_depth_mm=said_depth)
    return Trial(scene=scene, settings=settings, lens=_lens(rng, framed, known))


def _pairs(found: PlateReading, true: Sequence[Polyp]) -> list[tuple[int, int]]:
    iou = iou_matrix([p.outline_px for p in found.polyps], [p.outline_px for p in true])
    return match(iou)


DOUBTED = {"touches-edge", "touching", "folded", "hidden", "oblique", "glare", "irregular"}
"""Flags on a polyp that say its size is no sure one."""


@dataclass(frozen=True, kw_only=True)
class TrialResult:
    """What became of one plate.

    Attributes
    ----------
    plate : dict
        What was drawn and what was said of it, as plain values.
    refusal : str or None
        Kind of the refusal, if the photo was refused.
    measured : tuple of Measured
        Every polyp that was found.
    """

    plate: dict[str, Any]
    refusal: str | None = None
    measured: tuple[Measured, ...] = ()


def _told(trial: Trial) -> dict[str, Any]:
    scene, camera = trial.scene, trial.scene.camera
    return {
        "seed": scene.seed,
        "tilt_deg": camera.tilt_deg,
        "defocus_px": camera.defocus_px,
        "k1": camera.k1,
        "focal_px": camera.focal_px,
        "distance_mm": camera.distance_mm,
        "disc_height_mm": scene.disc_height_mm,
        "water_depth_mm": scene.water_depth_mm,
        "said_disc_height_mm": trial.settings.disc_height_mm,
        "said_water_depth_mm": trial.settings.water_depth_mm,
        "print_scale": scene.print_scale,
        "said_bar_mm": trial.settings.bar_mm,
        "lens": trial.lens.source if trial.lens else "usual",
        "polyps": len(scene.polyps),
        "good": trial.good,
    }


def measure_trial(trial: Trial) -> TrialResult:
    """Draw a plate and read it."""
    photo = render_scene(trial.scene, np.random.default_rng(trial.scene.seed))
    rgb = as_stored(photo.rgb, trial.scene.jpeg_quality)
    facts = PhotoFacts(photo=trial.scene.photo, sha256="")
    truth, _ = truth_reading(photo, trial.scene, "")
    true = [polyp for polyp in truth.polyps if "touches-edge" not in polyp.flags]
    try:
        said = read_plate(rgb, facts, trial.settings, trial.lens)
        plain = view_from_card(rgb, bar_mm=trial.settings.bar_mm)
    except PolypvisionError as error:
        return TrialResult(plate=_told(trial), refusal=error.kind)
    back = np.asarray(np.linalg.inv(plain.plate_to_photo), np.float64)
    measured = tuple(
        Measured(
            x_mm=said.polyps[i].x_mm,
            y_mm=said.polyps[i].y_mm,
            diameter_mm=said.polyps[i].diameter_mm,
            diameter_mm_err=said.polyps[i].diameter_mm_err,
            true_diameter_mm=true[j].diameter_mm,
            wound_mm2=said.polyps[i].wound_mm2,
            wound_mm2_err=said.polyps[i].wound_mm2_err,
            true_wound_mm2=true[j].wound_mm2,
            plain_diameter_mm=equivalent_diameter(
                polygon_area(apply_homography(back, said.polyps[i].outline_px))
            ),
            parts_mm={line.name: line.diameter_mm for line in said.polyps[i].budget},
            flags=said.polyps[i].flags,
            good=trial.good,
        )
        for i, j in _pairs(said, true)
    )
    return TrialResult(plate=_told(trial), measured=measured)


def _try(seed: int) -> TrialResult:
    return measure_trial(random_trial(seed))


@dataclass(frozen=True, kw_only=True)
class UncertaintyScores:
    """How well stated uncertainties hold.

    Attributes
    ----------
    trials : tuple of TrialResult
    """

    trials: tuple[TrialResult, ...]

    @property
    def measured(self) -> list[Measured]:
        """All polyps that were found."""
        return [one for trial in self.trials for one in trial.measured]


def score_uncertainty(
    count: int, *, seed: int = 0, jobs: int = 1, show: Show | None = None
) -> UncertaintyScores:
    """Draw and read plates.

    Parameters
    ----------
    count : int
    seed : int
        Plates of another seed share none with it.
    jobs : int
        Processes to spread over.
    show : callable, optional
        Called with the number of plates done.
    """
    seeds = [plate_seed(seed, number) for number in range(count)]
    return UncertaintyScores(trials=tuple(spread(_try, seeds, jobs=jobs, show=show)))


def _share(pulls: Sequence[float]) -> float:
    return float(np.mean(np.abs(pulls) <= NORMAL_95)) if len(pulls) else math.nan


def uncertainty_record(scores: UncertaintyScores) -> dict[str, Any]:
    """Return the figures, and what became of each plate, as plain JSON values; shares 0 to 1."""
    trials = [_short(asdict(trial)) for trial in scores.trials]
    record: dict[str, Any] = plain(_figures(scores) | {"trials": trials})
    return record


def _short(value: Any) -> Any:
    """Return a value, its numbers to five digits: thousands of polyps make a long file."""
    if isinstance(value, dict):
        return {key: _short(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_short(one) for one in value]
    return float(f"{value:.5g}") if isinstance(value, float) else value


def _figures(scores: UncertaintyScores) -> dict[str, Any]:
    all_ = scores.measured
    wounded = [m for m in all_ if m.true_wound_mm2 > 0 or m.wound_mm2 > 0]

    def bias(values: Sequence[float]) -> float:
        return 100 * float(np.mean(values)) if values else math.nan

    def rms(values: Sequence[float]) -> float:
        return 100 * float(np.sqrt(np.mean(np.square(values)))) if values else math.nan

    right = [m.diameter_mm / m.true_diameter_mm - 1 for m in all_]
    plain = [m.plain_diameter_mm / m.true_diameter_mm - 1 for m in all_]
    relative = [m.diameter_mm_err / m.diameter_mm for m in all_ if m.good]
    return {
        "plates": len(scores.trials),
        "refused": sum(trial.refusal is not None for trial in scores.trials),
        "polyps": len(all_),
        "wounds": len(wounded),
        "diameter_holds": _share([m.pull for m in all_]),
        "diameter_holds_undoubted": _share([m.pull for m in all_ if not m.doubted]),
        "wound_holds": _share([m.wound_pull for m in wounded]),
        "diameter_u_percent_good": 100 * float(np.median(relative)) if relative else math.nan,
        "diameter_bias_percent": bias(right),
        "diameter_rms_percent": rms(right),
        "plain_diameter_bias_percent": bias(plain),
        "plain_diameter_rms_percent": rms(plain),
    }


def uncertainty_lines(scores: UncertaintyScores) -> list[str]:
    """Return the figures as lines to print."""
    r = _figures(scores)
    return [
        f"{counted(r['plates'], 'plate')} ({r['refused']} refused), "
        f"{counted(r['polyps'], 'polyp')}, {counted(r['wounds'], 'wound')}",
        f"95 % interval of the diameter holds the truth: {100 * r['diameter_holds']:.1f} % "
        f"(without flagged polyps {100 * r['diameter_holds_undoubted']:.1f} %)",
        f"95 % interval of the wound's area holds the truth: {100 * r['wound_holds']:.1f} %",
        f"median standard uncertainty of the diameter on good photos: "
        f"{r['diameter_u_percent_good']:.2f} %",
        "",
        f"{'diameter':32s}{'bias %':>8s}{'RMS error %':>13s}",
        f"{'height, water, lens as said':32s}{r['diameter_bias_percent']:+8.2f}"
        f"{r['diameter_rms_percent']:13.2f}",
        f"{'left out':32s}{r['plain_diameter_bias_percent']:+8.2f}"
        f"{r['plain_diameter_rms_percent']:13.2f}",
    ]
