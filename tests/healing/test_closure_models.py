"""Forms in which a wound closes, on exact curves and by their own algebra."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from polypvision.forecasts import DayForecast, day_forecast
from polypvision.healing import ClosureFit, WoundSeries, fit_closures

Floats = NDArray[np.float64]
DAYS = np.array([0.0, 3, 7, 10, 14, 21, 28])


def _series(area: Floats, days: Floats = DAYS, **more: Any) -> WoundSeries:
    fields: dict[str, Any] = {"own_err_mm2": 0.02 * area + 0.05, "open_until": float(days[-1])}
    return WoundSeries(days=days, area_mm2=area, **{**fields, **more})


def _fit(area: Floats, days: Floats = DAYS, *, least_mm2: float = 2.0, **more: Any) -> ClosureFit:
    return fit_closures([_series(area, days, **more)], least_mm2=least_mm2)[0]


def _when(fit: ClosureFit) -> DayForecast:
    return day_forecast(0, tuple(fit.days.tolist()), tuple(fit.probability.tolist()))


def test_an_exponential_wound_and_the_day_on_which_five_percent_are_left() -> None:
    # A = 120 exp(-0.1 t): A(10) = 44.1455, 95 % closed at ln(20)/0.1 = 29.957 days (by algebra; the
    # law: a letter in Wounds, July 2003; Cardinal 2009, BMC Dermatology 9:2).
    days = np.linspace(0, 25, 11)
    area = 120 * np.exp(-0.1 * days)
    assert area[4] == pytest.approx(44.1455, abs=1e-4)
    fit = _fit(area, days, least_mm2=6.0, margin_mm=30 * area / 120)
    assert fit.model == "exponential"
    assert dict(fit.weights)["exponential"] > 0.6
    assert _when(fit).day == pytest.approx(29.957, abs=1.0)


def test_half_time_of_a_falling_area() -> None:
    # A0 = 100, A(7 d) = 40: k = 0.130899 a day, 1 % left at 35.181 days (by algebra).
    k = np.log(100 / 40) / 7
    assert k == pytest.approx(0.130899, abs=1e-6)
    days = np.linspace(0, 30, 13)
    area = 100 * np.exp(-k * days)
    fit = _fit(area, days, least_mm2=1.0, margin_mm=30 * area / 100)
    assert _when(fit).day == pytest.approx(35.181, abs=1.5)


@pytest.mark.parametrize(("power", "share"), [(1.0, 0.0), (2.0, 0.5)])
def test_a_slit_and_a_round_wound_whose_margin_advances_evenly(power: float, share: float) -> None:
    # Saiko 2021, doi 10.5220/0010337601820187: with tau = t / T a slit is closed by tau, a round
    # wound by 1 - (1 - tau)^2. T = 30 d; both leave 2 of 60 mm2 shortly before.
    area = 60 * (1 - DAYS[:6] / 30) ** power
    margin = 25 * (area / 60) ** share
    fit = _fit(area, DAYS[:6], margin_mm=margin)
    true_day = 30 * (1 - (2 / 60) ** (1 / power))
    assert fit.model == "margin"
    forecast = _when(fit)
    assert forecast.low_day < true_day < forecast.high_day
    assert forecast.day == pytest.approx(true_day, rel=0.1)


def test_a_wound_without_advance_gets_no_date() -> None:
    fit = _fit(np.array([50, 51, 49.5, 50.2, 50.4, 49.8, 50.3]), still_prior=0.5)
    assert fit.model == "still"
    assert _when(fit).day is None
    assert _when(fit).high_day == np.inf


def test_a_delayed_start_is_found() -> None:
    # Flat for a week, then closing in a further three: a straight line through it is too late.
    area = 60 * np.clip(1 - np.maximum(DAYS - 7, 0) / 21, 0, 1) ** 1.5
    fit = _fit(area[:6], DAYS[:6])
    assert _when(fit).day == pytest.approx(7 + 21 * (1 - (2 / 60) ** (1 / 1.5)), abs=2.5)


@given(st.lists(st.floats(0.0, 80.0), min_size=1, max_size=7))
@settings(max_examples=25, deadline=None)
def test_no_fitted_curve_ever_rises_whatever_the_areas(areas: list[float]) -> None:
    fit = _fit(np.array(areas), DAYS[: len(areas)])
    for curve in (fit.curve_mm2, fit.curve_low_mm2, fit.curve_high_mm2):
        assert np.isfinite(curve).all()
        assert (np.diff(curve) <= 1e-9).all()
        assert (curve >= 0).all()
    assert (np.diff(fit.probability) >= 0).all()
    assert sum(weight for _, weight in fit.weights) == pytest.approx(1.0)


def test_a_wound_that_gapes_first_is_fitted_by_a_level_and_then_a_fall() -> None:
    fit = _fit(np.array([20.0, 26, 25, 21, 15, 7]), DAYS[:6])
    fitted = np.interp(DAYS[:6], fit.curve_days, fit.curve_mm2)
    assert 19 < fitted[0] < 27
    assert fitted[5] == pytest.approx(7, rel=0.2)


def test_closing_earlier_than_the_last_open_photo_is_ruled_out() -> None:
    fit = _fit(np.array([40.0, 30, 20, 12]), DAYS[:4])
    assert fit.days[0] >= DAYS[3]


def test_the_others_of_a_plate_narrow_the_date() -> None:
    # One wound with four dated areas, beside seven of which the whole course is known.
    def area(days: Floats, closing: float) -> Floats:
        return np.asarray(60 * np.clip(1 - days / closing, 0, 1) ** 2)

    one = _series(area(DAYS[:4], 26), DAYS[:4])
    others = [
        _series(area(DAYS, closing), open_until=None) for closing in (24, 25, 26, 26, 27, 28, 29)
    ]
    alone = _when(fit_closures([one], least_mm2=2.0)[0])
    among = _when(fit_closures([one, *others], least_mm2=2.0)[0])
    true_day = 26 * (1 - np.sqrt(2 / 60))
    assert among.low_day < true_day < among.high_day
    assert among.high_day - among.low_day < 0.8 * (alone.high_day - alone.low_day)


def test_the_order_of_the_wounds_does_not_matter() -> None:
    wounds = [_series(np.array([40.0, 36, 30, 22, 15]) * k, DAYS[:5]) for k in (1.0, 0.7)]
    forwards = fit_closures(wounds, least_mm2=2.0)
    backwards = fit_closures(wounds[::-1], least_mm2=2.0)
    assert forwards[0].probability == pytest.approx(backwards[1].probability)


def test_areas_that_are_no_numbers_are_refused() -> None:
    for area in (np.array([]), np.array([np.nan])):
        with pytest.raises(ValueError, match="dated areas"):
            WoundSeries(days=DAYS[: len(area)], area_mm2=area, own_err_mm2=area)
    assert fit_closures([], least_mm2=2.0) == ()
