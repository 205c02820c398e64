"""Series of readings: the truth keeps its laws, and the readings keep to the truth."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polypvision.healing.closure import linear_advance
from polypvision.render.series import Series, SeriesSettings, simulate_series
from polypvision.render.series_lives import CLOSED_MM2, TruePolyp
from polypvision.render.series_polyps import parting_outline
from polypvision.render.shapes import polygon_area

QUIET = SeriesSettings(
    missed_rate=0, false_rate=0, joined_rate=0, nudged_share=0, expansion_sd=0, own_expansion_sd=0
)
PIECE = TruePolyp(
    name="T01",
    tile="T01",
    x_mm=0,
    y_mm=0,
    diameter_mm=20,
    growth_per_day=0.0,
    wound_long_mm=20,
    wound_wide_mm=4,
    delay_days=3,
    advance_mm_per_day=0.2,
)


def _series(seed: int, settings: SeriesSettings = QUIET) -> Series:
    return simulate_series(np.random.default_rng(seed), settings)


def test_a_strip_closes_by_the_published_rectangle() -> None:
    # Saiko 2021 (BIOSTEC 2021:182-187): at half the time of closure a rectangle of aspect 5 is
    # 55 % closed; Gilman 1990's linear advance gives back the margin's own way.
    assert PIECE.closed_day == pytest.approx(13)
    assert PIECE.wound_on(2.0) == (80.0, 48.0)
    area, margin = PIECE.wound_on(8.0)
    assert 1 - area / 80 == pytest.approx(0.55)
    assert linear_advance(80.0, area, 48.0, margin) == pytest.approx(1.0)
    assert PIECE.wound_on(13.0) == (0.0, 0.0)


def test_an_exponential_wound_halves_in_equal_times() -> None:
    piece = replace(PIECE, healing="exponential")
    areas = [piece.wound_on(day)[0] for day in (3.0, 5.0, 7.0)]
    assert areas[1] ** 2 == pytest.approx(areas[0] * areas[2])
    assert piece.wound_on(piece.closed_day - 1e-9)[0] == pytest.approx(CLOSED_MM2)
    assert math.isinf(replace(piece, advance_mm_per_day=0.0).closed_day)


def test_the_same_chance_gives_the_same_series() -> None:
    for seed in (1, 2):
        one, other = _series(seed, SeriesSettings()), _series(seed, SeriesSettings())
        assert one.polyps == other.polyps
        for a, b in zip(one.photos, other.photos, strict=True):
            assert a.names == b.names
            assert [p.x_mm for p in a.reading.polyps] == [p.x_mm for p in b.reading.polyps]
    assert _series(1).polyps != _series(2).polyps


def test_a_series_has_what_was_asked_for() -> None:
    for seed in range(5):
        series = _series(seed)
        fates = [one.fate for one in series.polyps.values() if one.gone_day < 56]
        assert fates.count("divided") == 2
        assert fates.count("lost") == 2
        assert len(series.photos) == 7
        for photo in series.photos:
            assert sorted(photo.names.values()) == sorted(photo.there)


def test_without_noise_a_reading_is_the_truth_laid_elsewhere() -> None:
    for photo in (series := _series(3)).photos:
        expected = {
            name: series.polyps[name].diameter_on(photo.day) * photo.expansion
            for name in photo.there
        }
        for polyp in photo.reading.polyps:
            # Four standard deviations of the size's noise.
            wanted = expected[photo.names[polyp.label]]
            assert polyp.diameter_mm == pytest.approx(wanted, rel=0.024)


def test_what_a_reading_gets_wrong_is_told() -> None:
    loud = SeriesSettings(missed_rate=0.1, false_rate=0.1, joined_rate=1.0)
    missed = false = joined = 0
    for seed in range(10):
        for photo in _series(seed, loud).photos:
            named = set(photo.names.values()) | {n for some in photo.joined.values() for n in some}
            missed += len(set(photo.there) - named)
            false += photo.reading.n_polyps - len(photo.names) - len(photo.joined)
            joined += len(photo.joined)
    # About 1200 polyps were there: 120 of each, give or take four times the square root.
    assert 75 < missed < 190
    assert 75 < false < 165
    assert joined > 0


def test_pieces_change_places_when_told() -> None:
    settings = replace(QUIET, rearranged_at=7, n_rearranged=16, n_missing_dates=0, shift_mm=0.0)
    settings = replace(settings, turned_share=0.0, turn_deg=0.0)
    before, after = _series(4, settings).photos[-2:]
    was = {before.names[p.label]: np.array([p.x_mm, p.y_mm]) for p in before.reading.polyps}
    moved = [
        float(np.hypot(*(was[after.names[p.label]] - (p.x_mm, p.y_mm))))
        for p in after.reading.polyps
        if after.names[p.label] in was
    ]
    assert sum(way > 20 for way in moved) >= 10


@pytest.mark.parametrize("part", [math.nan, 0.0, 0.3, 0.6, 1.0])
def test_outlines_keep_their_area(part: float) -> None:
    assert polygon_area(parting_outline(20.0, part)) == pytest.approx(math.pi * 100)
