"""Intervals of a line, and the place where it reaches a value, against published values."""

import pytest
from scipy.optimize import brentq
from scipy.stats import t as student
from test_lines import DAYS, DIAMETERS, NORRIS_X, NORRIS_Y

from polypvision.growth import fit_line


def test_norris_at_500() -> None:
    # NIST StRD, Norris; intervals computed with statsmodels' OLS.
    fit = fit_line(NORRIS_X, NORRIS_Y)
    assert fit.at(500) == pytest.approx(500.796086, abs=1e-6)
    assert fit.interval(500) == pytest.approx((500.488196, 501.103975), abs=1e-5)
    assert fit.interval(500, of_a_reading=True) == pytest.approx((498.971794, 502.620378), abs=1e-5)


def test_small_series_on_day_112() -> None:
    fit = fit_line(DAYS, DIAMETERS)
    assert fit.at(112) == pytest.approx(29.685714, abs=1e-6)
    assert fit.interval(112) == pytest.approx((29.000663, 30.370765), abs=1e-6)
    assert fit.interval(112, of_a_reading=True) == pytest.approx((28.725294, 30.646135), abs=1e-6)


def test_fieller_dates() -> None:
    # Fieller 1954, J R Stat Soc B 16:175-185; reference values by the closed form and by root
    # finding.
    reached = fit_line(DAYS, DIAMETERS).reached(30)
    assert reached == pytest.approx((115.6235, 108.1028, 124.7782), abs=1e-4)
    by_a_reading = fit_line(DAYS, DIAMETERS).reached(30, by_a_reading=True)
    assert by_a_reading == pytest.approx((115.6235, 105.0205, 127.8605), abs=1e-4)
    norris = fit_line(NORRIS_X, NORRIS_Y)
    assert norris.reached(500) == pytest.approx((499.205596, 498.898575, 499.512738), abs=1e-6)
    assert norris.reached(500, by_a_reading=True) == pytest.approx(
        (499.205596, 497.385244, 501.026069), abs=1e-6
    )


def test_the_limits_are_where_the_lines_own_limits_cross() -> None:
    fit = fit_line(DAYS, DIAMETERS)
    reached = fit.reached(30)
    assert reached is not None
    middle, low, high = reached
    assert low == pytest.approx(brentq(lambda x: fit.interval(x)[1] - 30, 90, middle))
    assert high == pytest.approx(brentq(lambda x: fit.interval(x)[0] - 30, middle, 200))
    # The interval is not symmetric.
    assert high - middle > 1.1 * (middle - low)


def test_no_place_where_the_slope_is_not_different_from_zero() -> None:
    flat = fit_line([0, 7, 14, 21], [20, 20.4, 19.8, 20.3])
    assert flat.reached(30) is None
    assert fit_line([0, 1, 2], [5, 5, 5]).reached(6) is None
    # Just different at 90 %, not at 95 %.
    fit = fit_line([0, 1, 2, 3], [0, 1.5, 1.3, 2.4])
    ratio = fit.slope / fit.slope_err
    assert student.ppf(0.95, 2) < ratio < student.ppf(0.975, 2)
    assert fit.reached(5, confidence=0.9) is not None
    assert fit.reached(5) is None
