"""How far a polyp is in dividing, and when its halves come apart."""

import math
from datetime import timedelta

import numpy as np
import pytest
from time_builders import START, ellipse, make_polyp, make_reading

from polypvision.reading import Points, Polyp
from polypvision.render.series import SeriesSettings, simulate_series
from polypvision.track import fission_courses, fission_of, link_readings, to_record
from polypvision.track.fission import mouth_gap_mm, stage_of, waist


def _two_discs(apart: float, radius: float = 10.0) -> Points:
    """Outline of two equal discs whose middles are so far apart and overlap."""
    half = math.acos(apart / 2 / radius)
    angle = np.linspace(half, 2 * np.pi - half, 400, endpoint=False)
    left = radius * np.column_stack([np.cos(angle), np.sin(angle)]) - (apart / 2, 0.0)
    return np.vstack([left, -left])


def _dividing(day: float, part: float, *, mouths: int = 2) -> Polyp:
    """A polyp so far through its fission, as an ellipse: no waist yet."""
    return make_polyp(1, 50, 50, 24.0, stretch=(1.06 + 0.3 * part) ** 2, n_mouths=mouths)


def test_the_waist_of_two_discs_is_their_common_chord() -> None:
    # Exact: the chord of two discs of radius r, d apart, is 2 sqrt(r^2 - d^2 / 4).
    for apart in (8.0, 12.0, 16.0):
        chord = 2 * math.sqrt(100 - apart**2 / 4)
        assert waist(_two_discs(apart)) == pytest.approx(chord / 20, abs=0.02)
    # A turn changes nothing, and a convex outline has no waist.
    assert waist(_two_discs(16.0)[:, ::-1]) == pytest.approx(0.6, abs=0.02)
    assert waist(ellipse(0, 0, 30, 20, 25)) > 0.98
    assert waist(np.zeros((0, 2))) == 1.0


def test_stages_in_their_order() -> None:
    assert stage_of(make_polyp(1, 50, 50)) is None
    assert stage_of(make_polyp(1, 50, 50, n_mouths=2)) == "mouths apart"
    assert stage_of(make_polyp(1, 50, 50, n_mouths=2, stretch=1.4)) == "oval"
    glass = make_polyp(1, 50, 50, n_mouths=2, outline_mm=_two_discs(16.0))
    assert stage_of(glass) == "hourglass"


def test_a_line_with_several_mouths_is_judged_by_its_outline_only() -> None:
    # Ricordea florida and Rhodactis mussoides may carry several mouths in one disc (handbook).
    assert stage_of(make_polyp(1, 50, 50, n_mouths=4), 2) is None
    assert stage_of(make_polyp(1, 50, 50, n_mouths=2, stretch=1.4), 2) is None
    assert stage_of(make_polyp(1, 50, 50, n_mouths=2, outline_mm=_two_discs(16.0)), 2) == (
        "hourglass"
    )


def test_the_distance_of_the_mouths() -> None:
    # The builder sets two mouths half the long diameter apart.
    assert mouth_gap_mm(make_polyp(1, 50, 50, 20.0, n_mouths=2)) == pytest.approx(10.0)
    assert math.isnan(mouth_gap_mm(make_polyp(1, 50, 50)))


def test_without_own_progress_it_is_about_two_months_from_two_mouths() -> None:
    # Chen et al. 1995 (Zoological Studies 34:29-40, by way of a handbook): about two months.
    one, two = make_polyp(1, 50, 50, 24.0), make_polyp(1, 50, 50, 24.0, two_mouths_probability=0.9)
    tracks = link_readings([make_reading(day, [p]) for day, p in ((0, one), (7, one), (8, two))])
    (course,) = fission_courses(tracks)
    assert course.stage == "mouths apart"
    assert course.expected_day == pytest.approx(7.5 + 60.9, abs=4)
    assert course.low_day < course.expected_day - 15
    assert course.high_day > course.expected_day + 15
    assert course.expected_at == START + timedelta(days=course.expected_day)
    assert "on that photo only so far" in course.sentence


def test_its_own_progress_moves_the_date_and_narrows_it() -> None:
    one = make_polyp(1, 50, 50, 24.0)
    courses = {}
    for name, pace in (("slow", 1 / 80), ("fast", 1 / 40)):
        polyps = [(0.0, one), (3.0, one)] + [
            (day, _dividing(day, (day - 4) * pace)) for day in (7.0, 14.0, 21.0, 28.0)
        ]
        # The builder's mouths stand half the length apart throughout: leave them out.
        readings = [
            make_reading(
                day,
                [p if p is one else make_polyp(1, 50, 50, 24.0, two_mouths_probability=0.95,
                                               stretch=(p.feret_max_mm / 24.0) ** 2)],
            )
            for day, p in polyps
        ]  # fmt: skip
        (courses[name],) = fission_courses(link_readings(readings))
    assert courses["fast"].expected_day < courses["slow"].expected_day - 8
    for course in courses.values():
        assert course.high_day - course.low_day < 60.9 * (1.64 - 0.61)
    assert [one.stage for one in courses["fast"].reached] == ["mouths apart", "oval"]


def test_stages_are_reached_between_two_photos() -> None:
    plain, two = make_polyp(1, 50, 50, 24.0), make_polyp(1, 50, 50, 24.0, n_mouths=2)
    oval = make_polyp(1, 50, 50, 24.0, n_mouths=2, stretch=1.4)
    days = {0: plain, 7: two, 14: plain, 21: oval}
    (course,) = fission_courses(link_readings([make_reading(d, [p]) for d, p in days.items()]))
    # One photo between on which the second mouth was not seen is passed over.
    assert [(one.stage, one.after_day, one.by_day) for one in course.reached] == [
        ("mouths apart", 0, 7),
        ("oval", 14, 21),
    ]


def test_one_that_came_apart_has_no_date_to_come() -> None:
    two = make_polyp(1, 50, 50, 24.0, n_mouths=2, stretch=1.4)
    halves = [make_polyp(1, 42, 50, 16.5), make_polyp(2, 58, 50, 16.5)]
    tracks = link_readings([make_reading(0, [two]), make_reading(7, halves)])
    course = fission_of(tracks.individual("P01"), tracks)
    assert course is not None
    assert course.stage == "separated"
    assert (course.reached[-1].after_day, course.reached[-1].by_day) == (0, 7)
    assert course.expected_at is None
    record = to_record(tracks)
    assert record["individuals"][0]["division"]["stage"] == "separated"
    assert record["individuals"][1]["division"] is None


def test_stated_intervals_hold_the_true_day() -> None:
    settings = SeriesSettings(n_divisions=4, n_forming=4, n_losses=0, n_births=0, turned_share=0)
    inside, errors = 0, []
    for seed in range(12):
        series = simulate_series(np.random.default_rng([9, seed]), settings)
        tracks = link_readings(series.readings[:5])
        truth = series.photos[0].names
        for course in fission_courses(tracks):
            label = {name: label for label, name in tracks.photos[0].names.items()}
            polyp = series.polyps.get(truth.get(label.get(course.name, -1), ""))
            if polyp is None or math.isinf(polyp.divides_day) or math.isnan(course.expected_day):
                continue
            inside += course.low_day <= polyp.divides_day <= course.high_day
            errors.append(abs(course.expected_day - polyp.divides_day))
    assert len(errors) >= 40
    # 95 % of forty: 38; three standard deviations (1.4) fewer.
    assert inside >= 0.85 * len(errors)
    assert np.median(errors) < 10
