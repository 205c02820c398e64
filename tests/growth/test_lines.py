import pytest

from polypvision.growth import (
    doubling_days,
    fit_line,
    fit_theil_sen,
    specific_growth_rate,
)

# Norris, from NIST's Statistical Reference Datasets (StRD), linear regression.
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
    0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
    0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
    0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
    0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip

# Made-up polyp of seven dates; reference values computed with statsmodels' OLS.
DAYS = [0.0, 14, 28, 42, 56, 70, 84]
DIAMETERS = [20.0, 21.3, 22.1, 23.8, 24.6, 26.4, 27.1]


def test_specific_rate_and_doubling_by_hand() -> None:
    rate = specific_growth_rate(20, 35, 90)
    assert rate == pytest.approx(0.006217953, abs=5e-10)
    assert doubling_days(rate) == pytest.approx(111.475, abs=5e-4)
    # An area grows at exactly twice the rate of its diameter.
    assert specific_growth_rate(20**2, 35**2, 90) == pytest.approx(0.012435906, abs=1e-9)


def test_rates_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        specific_growth_rate(20, 35, 0)
    with pytest.raises(ValueError, match="above 0"):
        specific_growth_rate(0, 35, 90)
    with pytest.raises(ValueError, match="doubles"):
        doubling_days(-0.01)


def test_norris_line_to_its_certified_values() -> None:
    fit = fit_line(NORRIS_X, NORRIS_Y)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert fit.intercept_err == pytest.approx(0.232818234301152, rel=1e-9)
    assert fit.slope_err == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.n == 36


def test_small_series() -> None:
    fit = fit_line(DAYS, DIAMETERS)
    assert fit.intercept == pytest.approx(19.971429, abs=1e-6)
    assert fit.intercept_err == pytest.approx(0.178429, abs=1e-6)
    assert fit.slope == pytest.approx(0.0867347, abs=1e-7)
    assert fit.slope_err == pytest.approx(0.0035348, abs=1e-7)
    assert fit.residual_sd == pytest.approx(0.2618615, abs=1e-7)


def test_sens_own_example() -> None:
    # Sen PK 1968, Journal of the American Statistical Association 63:1379-1389 (from memory, the
    # figures reproduced): slope 4, 93 % limits 26/7 and 35/8.
    fit = fit_theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], confidence=0.93)
    assert (fit.slope, fit.intercept) == (4.0, 4.0)
    assert fit.low == pytest.approx(26 / 7)
    assert fit.high == pytest.approx(35 / 8)


def test_one_spoiled_photo_turns_least_squares_and_not_theil_sen() -> None:
    spoiled = [*DIAMETERS[:5], 60.0, DIAMETERS[6]]
    assert fit_theil_sen(DAYS, DIAMETERS).slope == pytest.approx(0.0892857, abs=1e-7)
    assert fit_theil_sen(DAYS, spoiled).slope == pytest.approx(0.0892857, abs=1e-7)
    assert fit_line(DAYS, spoiled).slope == pytest.approx(0.2581633, abs=1e-7)


def test_a_line_needs_three_points() -> None:
    for x in ([1.0, 2.0], [3.0, 3.0, 3.0]):
        with pytest.raises(ValueError, match="three points"):
            fit_line(x, x)
