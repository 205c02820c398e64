"""Painted pictures with what a network says of them, kept in files: more than memory would hold."""

import contextlib
import pickle
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.photo import view_at_scale
from polypvision.calibrate.srgb import to_codes, to_linear
from polypvision.calibrate.view import VIEW_PX_PER_MM, PlateView
from polypvision.errors import QualityError
from polypvision.segment.levels import Levels, neutral_levels
from polypvision.segment.maps import Look, PlateMaps, read_maps, reader_of
from polypvision.train.closeups import closeup_lesson
from polypvision.train.closeups.photographs import use_photos
from polypvision.train.lessons import LESSON_PX, Lesson, random_lessons

_HARD_VARIANTS = {"plate": 4, "closeup": 2}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sample:
    """One painted picture, its truth, and what the network says of it, levels all neutral.

    Attributes
    ----------
    number : int
        Of the picture; harder variants of it have the same.
    hard : bool
        Whether it is such a variant.
    lesson : Lesson
        Without its pixels, which no level asks for.
    view : PlateView
    maps : PlateMaps
        In half precision.
    """

    number: int
    hard: bool
    lesson: Lesson
    view: PlateView
    maps: PlateMaps

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Where the truth is known."""
        return np.asarray((self.lesson.owner != 255) & self.view.valid, np.bool_)

    def at(self, levels: Levels) -> PlateMaps:
        """Return the maps as these levels move them."""

        def moved(chance: NDArray[np.float32], even: float) -> NDArray[np.float32]:
            return np.asarray(chance / (chance + (1 - chance) * even / (1 - even)), np.float32)

        tissue, wound, mouth = levels.even
        maps = cast(PlateMaps, _as_type(self.maps, np.float32))
        if maps.other is not None:
            other = replace(maps.other, tissue=moved(maps.other.tissue, tissue))
            maps = replace(maps, other=other)
        return replace(
            maps,
            tissue=moved(maps.tissue, tissue),
            wound=moved(maps.wound, wound),
            mouth=moved(maps.mouth, mouth),
            levels=levels,
        )


def _as_type(look: Look, dtype: type[np.floating]) -> Look:
    """Return a look, and the other one in it, with its arrays of another type."""
    changed = {
        name: value.astype(dtype) if isinstance(value, np.ndarray) else value
        for name, value in ((field.name, getattr(look, field.name)) for field in fields(look))
    }
    if isinstance(look, PlateMaps) and look.other is not None:
        changed["other"] = _as_type(look.other, dtype)
    return replace(look, **changed)


def lesson_view(lesson: Lesson, *, plates: bool) -> PlateView:
    """Return the view of a lesson.

    Raises
    ------
    QualityError
        If it would be refused as a photo.
    """
    rgb = to_codes(to_linear(lesson.rgb) * lesson.gains)
    view = view_at_scale(rgb, 1 / VIEW_PX_PER_MM)
    if plates:  # let it pass for a view from a card
        view = replace(view, scale=replace(view.scale, source="card"))
    return view


def harder(lesson: Lesson, rng: np.random.Generator) -> Lesson:
    """Return a lesson enlarged or shrunk, in another light, blurred and noisy; or a part of it.

    On painted pictures a reader hardly ever cuts a disc in two, as it does on real ones: what tells
    pieces of one from neighbours is learned where it is in doubt.
    """
    zoom = float(np.exp(rng.uniform(np.log(0.8), np.log(2.2))))
    size = (int(lesson.rgb.shape[1] * zoom), int(lesson.rgb.shape[0] * zoom))

    def enlarged(marks: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return np.asarray(cv2.resize(marks, size, interpolation=cv2.INTER_NEAREST), np.uint8)

    light = cv2.resize(lesson.rgb, size, interpolation=cv2.INTER_LINEAR).astype(np.float64) / 255
    light = light ** np.exp(rng.normal(0, 0.35)) * np.exp(rng.normal(-0.1, 0.25, 3))
    light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.3, 1.5)))
    light = light + rng.normal(0, rng.uniform(0, 0.05), light.shape)
    left, top = (int(rng.integers(0, max(side - LESSON_PX, 0) + 1)) for side in size)
    part = slice(top, top + LESSON_PX), slice(left, left + LESSON_PX)
    places, corner = np.array([zoom, zoom, 1.0]), np.array([left, top, 0.0])
    mouths = lesson.mouths * places - corner
    shown = ((mouths[:, :2] >= 0) & (mouths[:, :2] < LESSON_PX)).all(axis=1)
    return replace(
        lesson,
        rgb=np.asarray(np.clip(light[part], 0, 1) * 255, np.uint8),
        owner=np.ascontiguousarray(enlarged(lesson.owner)[part]),
        wound=enlarged(lesson.wound.astype(np.uint8))[part] > 0,
        polyps=(lesson.polyps * np.float32(zoom) - corner).astype(np.float32),
        mouths=mouths[shown].astype(np.float32),
    )


def is_kept_back(number: int) -> bool:
    """Return whether a picture sets no level, and only tells how good the levels are."""
    return number % 3 == 0


def _painted(number: int, seed: int, name: str) -> Iterator[tuple[bool, Lesson]]:
    """Yield a picture, and its harder variants with a True; each number has its own chance."""
    own = int(np.random.SeedSequence((seed, number)).generate_state(1)[0])
    rng = np.random.default_rng(own)
    plain = next(random_lessons(own, 0)) if name == "plate" else closeup_lesson(rng, natural=True)
    yield False, plain
    if not is_kept_back(number):
        for _ in range(_HARD_VARIANTS[name]):
            yield True, harder(plain, rng)


def write_samples(
    number: int, *, seed: int, name: str, photos: Path | None, folder: Path
) -> list[Path]:
    """Paint a picture and its harder variants, read them, and keep each in a file.

    Parameters
    ----------
    number : int
        Of the picture: the same number and seed give the same picture.
    seed : int
    name : {"plate", "closeup"}
        Which network reads it.
    photos : Path or None
        As for `use_photos`.
    folder : Path

    Returns
    -------
    list of Path
        One for each that would not be refused as a photo.
    """
    use_photos(photos)
    plates = name == "plate"
    written = []
    for variant, (hard, lesson) in enumerate(_painted(number, seed, name)):
        with contextlib.suppress(QualityError):
            view = lesson_view(lesson, plates=plates)
            maps = read_maps(view, levels=neutral_levels(looks=len(reader_of(view).looks)))
            sample = Sample(
                number=number,
                hard=hard,
                lesson=replace(lesson, rgb=np.zeros((0, 0, 3), np.uint8)),
                view=view,
                maps=cast(PlateMaps, _as_type(maps, np.float16)),
            )
            path = folder / f"{number:05d}-{variant}.sample"
            path.write_bytes(pickle.dumps(sample, pickle.HIGHEST_PROTOCOL))
            written.append(path)
    return written


def read_sample(path: Path) -> Sample:
    """Return a sample that this program has just written; files of others are not to be trusted."""
    sample = pickle.loads(path.read_bytes())
    assert isinstance(sample, Sample)
    return sample
