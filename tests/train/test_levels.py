"""Levels set from files of samples: areas, joins, polyps and mouths, whatever the processes."""

import pickle
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from polypvision.calibrate.photo import view_at_scale
from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.segment.levels import Levels, neutral_levels
from polypvision.segment.maps import Look, PlateMaps
from polypvision.train.judging import BINS, areas_of, joins_of, reading_of, summary_of
from polypvision.train.lesson import Lesson
from polypvision.train.levels import (
    Places,
    Shelf,
    even_level,
    mouth_level,
    report,
    set_levels,
    set_sureness,
    shelf_of,
)
from polypvision.train.samples import Sample, is_kept_back, read_sample, write_samples

SIDE = 200


def sample(number: int, *, hard: bool = False) -> Sample:
    """Return a picture of which a network saw nearly all: discs that touch, one of two middles."""
    rng = np.random.default_rng([31, number, hard])
    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    owner = np.zeros((SIDE, SIDE), np.uint8)
    centre, mouth, seen = np.zeros((3, SIDE, SIDE), np.float32)
    ways = np.zeros((SIDE, SIDE, 2), np.float32)
    polyps: list[tuple[float, float, float]] = []
    mouths: list[tuple[float, float, int]] = []
    for row, (cx, cy) in enumerate([(65, 65), (131, 65), (65, 131), (131, 131)]):
        radius = float(rng.uniform(31, 38))
        inside = np.hypot(x - cx, y - cy) < radius
        if row == 3 and number % 2:  # something that only looks a little like one
            seen[inside] = 0.7
            centre[inside] = 0.12
            ways[inside] = rng.normal(0, 60, (int(inside.sum()), 2))
            continue
        owner[inside] = len(polyps) + 1
        seen[inside] = 0.97
        centre = np.maximum(centre, 0.9 * np.exp(-(np.hypot(x - cx, y - cy) ** 2) / 40))
        ways[inside] = np.stack([cx - x, cy - y], -1)[inside]
        for off in (-12, 12) if row == 0 else (0,):
            peak = rng.uniform(0.6, 0.9) * np.exp(-(np.hypot(x - cx - off, y - cy) ** 2) / 12)
            mouth = np.maximum(mouth, peak.astype(np.float32))
            mouths.append((cx + off, cy, len(polyps)))
        polyps.append((cx, cy, 2 * radius))
    view = view_at_scale(
        rng.integers(60, 190, (SIDE, SIDE, 3)).astype(np.uint8), 1 / VIEW_PX_PER_MM
    )
    lesson = Lesson(
        rgb=np.zeros((0, 0, 3), np.uint8), owner=owner, wound=np.zeros(owner.shape, np.bool_),
        polyps=np.array(polyps, np.float32), mouths=np.array(mouths, np.float32),
        gains=np.ones(3, np.float32),
    )  # fmt: skip
    noisy = np.clip(seen + rng.normal(0, 0.04, seen.shape), 0.01, 0.99)
    maps = PlateMaps(
        tissue=noisy.astype(np.float16), wound=np.full(owner.shape, 0.1, np.float16),
        mouth=mouth.astype(np.float16), centre=centre.astype(np.float16),
        to_centre_px=ways.astype(np.float16), levels=neutral_levels(looks=1),
    )  # fmt: skip
    return Sample(number=number, hard=hard, lesson=lesson, view=view, maps=maps)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    folder = tmp_path_factory.mktemp("samples")

    def kept(number: int, *, hard: bool) -> Path:
        path = folder / f"{number:05d}-{int(hard)}.sample"
        path.write_bytes(pickle.dumps(sample(number, hard=hard)))
        return path

    plain = [kept(number, hard=False) for number in range(6)]
    hard = [kept(number, hard=True) for number in range(4)]
    found = shelf_of([hard[0], *plain, *hard[1:]], 1)
    assert found == Shelf(plain=tuple(plain), hard=tuple(hard))
    return found


@pytest.fixture(scope="module")
def levels(shelf: Shelf) -> Levels:
    return set_levels(shelf, looks=1)


def test_even_level_is_the_quantile_above_which_as_many_lie_as_are_true() -> None:
    rng = np.random.default_rng(3)
    truth = rng.random(40_000) < 0.3
    chances = np.clip(rng.normal(np.where(truth, 0.6, 0.25), 0.15), 0, 0.9999)
    counts = np.stack([np.histogram(part, BINS, (0, 1))[0] for part in (chances, chances[truth])])
    # numpy's own quantile; a step is 1 / BINS wide.
    assert even_level(counts) == pytest.approx(np.quantile(chances, 1 - truth.mean()), abs=1e-3)
    assert (chances > even_level(counts)).sum() == pytest.approx(truth.sum(), rel=2e-3)


def test_even_level_of_what_is_never_true_is_a_half() -> None:
    assert even_level(np.stack([np.ones(BINS, np.int64), np.zeros(BINS, np.int64)])) == 0.5


def test_areas_count_every_sure_pixel_about_the_polyps_once(shelf: Shelf) -> None:
    one, found = read_sample(shelf.plain[0]), areas_of(shelf.plain[0])
    true = int((one.lesson.owner > 0).sum())
    assert found.tissue[1].sum() == true
    assert true < found.tissue[0].sum() < one.sure.sum()
    assert found.wound[0].sum() == true
    assert found.wound[1].sum() == 0


def test_a_polyp_that_is_not_seen_draws_nobody_elses_rim_outwards(
    shelf: Shelf, tmp_path: Path
) -> None:
    one = read_sample(shelf.plain[0])
    assert one.maps.other is None
    gone = one.lesson.owner == 2
    dim = np.where(gone, np.float16(0.02), one.maps.tissue)
    path = tmp_path / "missed.sample"
    path.write_bytes(pickle.dumps(replace(one, maps=replace(one.maps, tissue=dim))))
    found, before = areas_of(path), areas_of(shelf.plain[0])
    assert before.tissue[1].sum() - found.tissue[1].sum() == np.count_nonzero(gone)
    assert even_level(found.tissue) == pytest.approx(even_level(before.tissue), abs=0.02)


def test_levels_make_the_reading_right_on_other_pictures(shelf: Shelf, levels: Levels) -> None:
    assert 0.2 < levels.even[0] < 0.97
    readings = [reading_of(path, levels) for path in shelf.plain]
    assert sum(one.right for one in readings) == 21  # four discs on even pictures, three on odd
    assert sum(one.missed for one in readings) == 0
    assert sum(one.wrong for one in readings) == 0
    assert sum(one.mouths_right for one in readings) == 21
    assert report(readings).startswith("F1 1.000 (21 right, 0 wrong, 0 missed)")


def test_weights_are_set_at_the_level_of_mouths_that_stands(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = []

    def noted(path: Path, levels: Levels, look: int) -> tuple[np.ndarray, np.ndarray]:
        at.append(levels.even[2])
        return joins_of(path, levels, look)

    monkeypatch.setattr("polypvision.train.levels.joins_of", noted)
    levels = set_levels(shelf, looks=1)
    each = len(shelf.every)
    assert at == [0.5] * each + [levels.even[2]] * each
    assert levels.even[2] != 0.5


def test_processes_change_nothing(shelf: Shelf) -> None:
    levels = neutral_levels(looks=1)
    work = partial(joins_of, levels=levels, look=0)
    one, two = (replace(shelf, jobs=jobs).each(work, shelf.every) for jobs in (1, 2))
    assert len(one) == len(shelf.plain) + len(shelf.hard)
    for (evidence, same), (again, as_well) in zip(one, two, strict=True):
        np.testing.assert_array_equal(evidence, again)
        np.testing.assert_array_equal(same, as_well)


def test_sureness_alone_leaves_what_is_kept(shelf: Shelf, levels: Levels) -> None:
    kept = set_sureness(shelf, levels)
    assert kept.even == levels.even
    assert kept.looks[0].polyp is levels.looks[0].polyp
    assert kept.looks[0].sure[1] > 0


def test_a_picture_on_which_nothing_is_found_takes_part(shelf: Shelf, tmp_path: Path) -> None:
    blank = sample(2)
    maps = replace(blank.maps, tissue=np.zeros_like(blank.maps.tissue))
    path = tmp_path / "blank.sample"
    path.write_bytes(pickle.dumps(replace(blank, maps=maps)))
    levels = neutral_levels(looks=1)
    found = summary_of(path, levels)
    assert found.evidence.shape == (0, 5)
    assert found.strengths == ()
    assert reading_of(path, levels).missed == 4
    assert joins_of(path, levels, 0)[0].shape == (0, 12)
    (look,) = set_levels(replace(shelf, hard=(path,)), looks=1).looks
    assert np.isfinite(look.polyp).all()


def test_each_look_is_weighed_by_what_it_tells(shelf: Shelf, tmp_path: Path) -> None:
    # The wide look sees the same discs, and their middles more faintly.
    paths = []
    for number, path in enumerate(shelf.every):
        one = read_sample(path)
        faint = one.maps.centre * np.float16(0.6)
        dim = Look(tissue=one.maps.tissue, centre=faint, to_centre_px=one.maps.to_centre_px)
        levels = neutral_levels(looks=2)
        paths.append(tmp_path / f"{number}.sample")
        maps = replace(one.maps, other=dim, levels=levels)
        paths[-1].write_bytes(pickle.dumps(replace(one, maps=maps)))
    levels = set_levels(Shelf(plain=tuple(paths), hard=()), looks=2)
    assert [len(look.polyp) for look in levels.looks] == [10, 10]
    readings = [reading_of(path, levels) for path in paths]
    assert sum(one.missed + one.wrong for one in readings) == 0


def test_a_number_is_the_same_picture_each_time_and_others_differ(tmp_path: Path) -> None:
    def written(number: int, name: str) -> list[Sample]:
        (tmp_path / name).mkdir()
        paths = write_samples(number, seed=5, name="closeup", photos=None, folder=tmp_path / name)
        return [read_sample(path) for path in paths]

    one, again, other = written(1, "a"), written(1, "b"), written(3, "c")
    assert [part.hard for part in one] == [False, True, True]
    assert len(other) == 1  # kept back: no harder variants
    assert is_kept_back(3)
    for first, second in zip(one, again, strict=True):
        np.testing.assert_array_equal(first.lesson.owner, second.lesson.owner)
        np.testing.assert_array_equal(first.maps.tissue, second.maps.tissue)
    assert one[0].view.rgb.shape != other[0].view.rgb.shape
    assert one[0].maps.tissue.dtype == np.float16


def _places(first: np.ndarray, second: np.ndarray, true: np.ndarray) -> Places:
    strengths = [np.array([a, b]) for a, b in zip(first, second, strict=True)]
    return Places(strengths=strengths, true=true.astype(np.int64))


def test_the_level_of_mouths_tells_discs_with_one_from_discs_without() -> None:
    rng = np.random.default_rng(3)
    has = np.arange(400) < 300
    first = np.where(has, rng.normal(0.8, 0.06, 400), rng.normal(0.5, 0.06, 400))
    level = mouth_level(_places(first, np.zeros(400), has))
    assert 0.6 <= level <= 0.7
    # Second mouths that are not seen leave it where it is: no false first one makes up for them.
    two = np.where(np.arange(400) < 120, 2, has)
    assert mouth_level(_places(first, np.full(400, 0.05), two)) == level
