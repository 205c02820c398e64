"""Forms of growth: even, by the same part, or towards a largest size, where the data carry it."""

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeWarning, curve_fit

from polypvision.forecasts import GrowthModel

Floats = NDArray[np.float64]
Values = Sequence[float] | Floats
FORMS: tuple[GrowthModel, ...] = (
    "linear",
    "exponential",
    "logistic",
    "gompertz",
    "von bertalanffy",
)

LEAST_FOR_LARGEST = 6
"""Three parameters and their scatter need so many dates at least."""
_CARRIED_WITHIN = 1.5
"""A largest size is not believed that is so many times the largest one seen: it would rest on the
form alone."""
_SURELY_BETTER = 2.0
"""A form with one parameter more must be better by so much in AICc (Burnham and Anderson 2002,
Model Selection and Multimodel Inference: models within 2 have substantial support; from memory)."""

_MAX_CALLS = 400
"""Of a form while it is fitted; one that has not settled by then runs away to no largest size."""


def linear(t: Floats, start: float, per_day: float) -> Floats:
    """Return start + per_day t."""
    return np.asarray(start + per_day * t)


def exponential(t: Floats, start: float, rate: float) -> Floats:
    """Return start exp(rate t)."""
    return np.asarray(start * np.exp(rate * t))


def logistic(t: Floats, largest: float, middle: float, scale: float) -> Floats:
    """Return largest / (1 + exp((middle - t) / scale)); half the largest at ``middle``."""
    return np.asarray(largest / (1 + np.exp((middle - t) / scale)))


def gompertz(t: Floats, largest: float, b: float, c: float) -> Floats:
    """Return largest exp(-b exp(-c t)); steepest at ln(b) / c, where it is largest / e."""
    return np.asarray(largest * np.exp(-b * np.exp(-c * t)))


def von_bertalanffy(t: Floats, largest: float, k: float, t0: float) -> Floats:
    """Return largest (1 - exp(-k (t - t0)))."""
    return np.asarray(largest * (1 - np.exp(-k * (t - t0))))


_FUNCTIONS: dict[GrowthModel, Callable[..., Floats]] = {
    "linear": linear,
    "exponential": exponential,
    "logistic": logistic,
    "gompertz": gompertz,
    "von bertalanffy": von_bertalanffy,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class FormFit:
    """A growth form fitted by least squares.

    Attributes
    ----------
    form : str
    parameters, errors : ndarray (p,) of float64
        In the order of the form's function, with one standard error each.
    rss : float
        Residual sum of squares.
    aicc : float
        Akaike's criterion with the small-sample correction; inf where there are too few points.
    """

    form: GrowthModel
    parameters: Floats
    errors: Floats
    rss: float
    aicc: float

    def at(self, t: Floats | float) -> Floats:
        """Return the fitted sizes."""
        return _FUNCTIONS[self.form](np.asarray(t, np.float64), *self.parameters)

    @property
    def largest(self) -> float | None:
        """The size it grows towards; None for a form without one."""
        return None if self.form in ("linear", "exponential") else float(self.parameters[0])


def _starts(form: GrowthModel, t: Floats, y: Floats) -> list[list[float]]:
    """Return where to start the search."""
    span = float(np.ptp(t))
    slope, start = np.polyfit(t, y, 1)
    if form == "linear":
        return [[float(start), float(slope)]]
    if form == "exponential":
        rate, log_start = np.polyfit(t, np.log(np.maximum(y, 1e-9)), 1)
        return [[float(np.exp(log_start)), float(rate)]]
    starts = []
    for factor in (1.05, 1.5, 3.0, 10.0):
        largest = factor * float(y.max())
        part = np.clip(y / largest, 1e-6, 1 - 1e-6)
        if form == "logistic":
            turn, zero = np.polyfit(t, np.log(part / (1 - part)), 1)
            turn = turn if turn != 0 else 1 / span
            starts.append([largest, float(-zero / turn), float(1 / turn)])
        elif form == "gompertz":
            turn, zero = np.polyfit(t, np.log(-np.log(part)), 1)
            starts.append([largest, float(np.exp(zero)), float(-turn)])
        else:
            turn, zero = np.polyfit(t, np.log(1 - part), 1)
            turn = turn if turn != 0 else -1 / span
            starts.append([largest, float(-turn), float(-zero / turn)])
    return starts


def fit_form(form: GrowthModel, t: Values, y: Values) -> FormFit | None:
    """Fit one form by least squares.

    Parameters
    ----------
    form : str
        One of `FORMS`.
    t, y : sequence of float
        Days and sizes, one more point than the form has parameters at least.

    Returns
    -------
    FormFit or None
        None where no fit is found or there are too few points.
    """
    t, y = np.asarray(t, np.float64), np.asarray(y, np.float64)
    n_parameters = 2 if form in ("linear", "exponential") else 3
    if len(t) <= n_parameters or len(np.unique(t)) <= n_parameters:
        return None
    best: tuple[float, Floats, Floats] | None = None
    for start in _starts(form, t, y):
        try:
            with warnings.catch_warnings(), np.errstate(all="ignore"):
                # A covariance that cannot be told comes back as inf, which is what it means.
                warnings.simplefilter("ignore", OptimizeWarning)
                found, cov = curve_fit(_FUNCTIONS[form], t, y, p0=start, maxfev=_MAX_CALLS)
        except (RuntimeError, ValueError):
            continue
        with np.errstate(all="ignore"):
            rss = float(((y - _FUNCTIONS[form](t, *found)) ** 2).sum())
        if np.isfinite(rss) and (best is None or rss < best[0] * (1 - 1e-12)):
            best = rss, found, np.sqrt(np.diag(cov))
    if best is None:
        return None
    rss, found, errors = best
    return FormFit(
        form=form, parameters=found, errors=errors, rss=rss, aicc=_aicc(rss, len(t), n_parameters)
    )


def _aicc(rss: float, n: int, n_parameters: int) -> float:
    """Return Akaike's criterion with the small-sample correction; the variance counts as one."""
    k = n_parameters + 1
    if n - k - 1 <= 0:
        return float("inf")
    return float(n * np.log(max(rss, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def carried(fit: FormFit, t: Values, y: Values) -> bool:
    """Return whether the data carry a form: a largest size must nearly have been seen.

    Parameters
    ----------
    fit : FormFit
    t, y : sequence of float
        What it was fitted to.
    """
    if fit.largest is None:
        return True
    near = 0 < fit.largest <= _CARRIED_WITHIN * float(np.max(y))
    known = bool(np.isfinite(fit.errors).all()) and fit.errors[0] < 0.25 * abs(fit.largest)
    return len(t) >= LEAST_FOR_LARGEST and near and known


def choose_form(t: Values, y: Values) -> FormFit | None:
    """Return the form that sizes speak for: the plain one unless another is surely better.

    Parameters
    ----------
    t, y : sequence of float
        Days and sizes above 0.

    Returns
    -------
    FormFit or None
        None with fewer than four points.
    """
    tried = FORMS if len(t) >= LEAST_FOR_LARGEST else FORMS[:2]
    fits = [fit for form in tried if (fit := fit_form(form, t, y)) is not None]
    plain = [fit for fit in fits if fit.largest is None and np.isfinite(fit.aicc)]
    if not plain:
        return None
    best = min(plain, key=lambda fit: fit.aicc)
    towards = [fit for fit in fits if fit.largest is not None and carried(fit, t, y)]
    better = min(towards, key=lambda fit: fit.aicc, default=None)
    if better is not None and better.aicc < best.aicc - _SURELY_BETTER:
        return better
    return best
