"""Figures over invented series: the product holds its limits, and a poor linker is seen as one."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polypvision.evaluate.follow import (
    FollowScores,
    follow_record,
    follow_rows,
    follow_series,
    score_following,
)
from polypvision.reading import PlateReading
from polypvision.render.series import SeriesSettings, simulate_series
from polypvision.track import PlateTracks, link_readings


def test_series_are_followed_within_the_limits() -> None:
    # 40 of the series that `polypvision evaluate --series` prints; the limits are those of 200.
    scores = follow_series(40)
    assert scores.n_series == 40
    assert scores.kept_share >= 0.99
    assert scores.divisions.f1 >= 0.95
    assert scores.settled_losses.f1 >= 0.95
    assert scores.settled_births.f1 >= 0.95


def test_an_exact_reading_of_a_plate_that_lies_still_is_followed_without_a_mistake() -> None:
    quiet = SeriesSettings(
        missed_rate=0,
        false_rate=0,
        joined_rate=0,
        nudged_share=0,
        expansion_sd=0,
        own_expansion_sd=0,
        shift_mm=0,
        turn_deg=0,
        turned_share=0,
        creep_mm=2,
    )
    scores = follow_series(5, seed=1, settings=quiet)
    assert scores.kept == scores.n_individuals
    for found in (scores.divisions, scores.losses, scores.births):
        assert (found.fp, found.fn) == (0, 0)
        assert found.tp > 0


def test_who_is_told_wrongly_is_counted() -> None:
    def by_label(readings: Sequence[PlateReading]) -> PlateTracks:
        """Takes equal labels for the same polyp."""
        tracks = link_readings(readings)
        photos = tuple(
            replace(photo, names={label: f"P{label:02d}" for label in photo.names})
            for photo in tracks.photos
        )
        names = {name for photo in photos for name in photo.names.values()}
        people = tuple(replace(tracks.individuals[0], name=name) for name in sorted(names))
        return replace(tracks, photos=photos, individuals=people, events=())

    series = simulate_series(np.random.default_rng(3))
    scores = score_following(series, by_label(series.readings))
    assert scores.kept <= 2
    assert scores.switched >= 16
    assert (scores.divisions.tp, scores.divisions.fn) == (0, 2)


def test_scores_add_and_leave_as_words_and_json() -> None:
    one = follow_series(1, seed=5)
    two = one + one
    assert two.n_individuals == 2 * one.n_individuals
    assert two.losses.tp == 2 * one.losses.tp
    record = follow_record(FollowScores())
    assert record["kept_share"] is None
    assert dict(follow_rows(two))["series"] == "2"
