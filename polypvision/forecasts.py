"""What is expected of one individual and when, as plain values with their probabilities."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import inf, isinf
from typing import Literal

import numpy as np

ClosureModel = Literal["margin", "exponential", "still"]
GrowthModel = Literal["linear", "exponential", "logistic", "gompertz", "von bertalanffy"]


@dataclass(frozen=True, kw_only=True)
class DayForecast:
    """When something happens, as the probability that it has happened by each day.

    Attributes
    ----------
    made_on_day : float
        Day of the last photo it rests on; days count from the plate's first photo.
    day : float or None
        As likely as not it has happened by then; None where no date can be given.
    low_day, high_day : float
        Between them it happens with 95 % probability; ``high_day`` is inf where it may never.
    days, probability : tuple of float
        Increasing days, and the probability (never falling, 0 to 1) that it has happened by each.
        Given also where no date can be: a stock forecast adds up small chances too.
    happened : bool
        The photos show it already: then the two days are those of the last photo without it (of
        the cut or -inf if there is none) and of the first with it.
    reason : str
        What it rests on, or why no date can be given, in a sentence.
    """

    made_on_day: float
    day: float | None
    low_day: float
    high_day: float
    days: tuple[float, ...]
    probability: tuple[float, ...]
    happened: bool = False
    reason: str = ""

    def __post_init__(self) -> None:
        if len(self.days) != len(self.probability) or not self.days:
            raise ValueError("a forecast needs a probability for each of its days, and a day")
        if np.any(np.diff(self.days) < 0) or np.any(np.diff(self.probability) < -1e-12):
            raise ValueError("neither the days of a forecast nor its probabilities may fall")
        if not (self.probability[0] >= 0 and self.probability[-1] <= 1 + 1e-12):
            raise ValueError("a probability lies between 0 and 1")

    @property
    def told(self) -> bool:
        """Whether a date can be given."""
        return self.day is not None

    def probability_by(self, day: float) -> float:
        """Return the probability that it has happened by this day.

        Linear between the days of the table; after its last day that day's probability stands,
        the rest being "later, or never".

        Examples
        --------
        >>> forecast = DayForecast(made_on_day=14, day=20, low_day=15, high_day=30,
        ...     days=(15, 20, 30), probability=(0.0, 0.5, 0.9))
        >>> [forecast.probability_by(day) for day in (0, 20, 25, 99)]
        [0.0, 0.5, 0.7, 0.9]
        """
        return float(np.interp(day, self.days, self.probability, left=0.0))

    def dates(self, start: datetime) -> tuple[datetime | None, datetime | None, datetime | None]:
        """Return low, middle and high as dates; None where there is none.

        Parameters
        ----------
        start : datetime
            Of the plate's first photo.
        """

        def date(day: float | None) -> datetime | None:
            if day is None or isinf(day):
                return None
            try:
                return start + timedelta(days=day)
            except OverflowError:
                return None

        return date(self.low_day), date(self.day), date(self.high_day)


@dataclass(frozen=True, kw_only=True)
class ClosureForecast:
    """When the wound of one individual is closed.

    Attributes
    ----------
    name : str
        Of the individual.
    least_mm2 : float
        The wound counts as closed below this area.
    model : {'margin', 'exponential', 'still'} or None
        The form that the areas speak for most: margin advancing evenly, area falling by the same
        part every day, or no advance; None where nothing was fitted.
    weights : tuple of (model, float)
        How much they speak for each form; they sum to 1. The interval allows for all of them.
    n_dates : int
        Dated areas that it rests on.
    when : DayForecast
    """

    name: str
    least_mm2: float
    model: ClosureModel | None
    weights: tuple[tuple[ClosureModel, float], ...] = ()
    n_dates: int
    when: DayForecast


@dataclass(frozen=True, kw_only=True)
class SizeForecast:
    """When one individual reaches a diameter, as it is when fully expanded.

    Attributes
    ----------
    name : str
        Of the individual.
    size_mm : float
        The diameter asked for.
    model : str or None
        The growth form that the diameters speak for most; None where nothing was fitted.
    shared : bool
        The expansion common to all polyps of a photo was taken out.
    n_dates : int
        Dated diameters that it rests on.
    when : DayForecast
    """

    name: str
    size_mm: float
    model: GrowthModel | None
    shared: bool = False
    n_dates: int
    when: DayForecast


def happened_between(after_day: float, by_day: float, reason: str = "") -> DayForecast:
    """Return the forecast of what the photos show already: after one day and by another.

    Parameters
    ----------
    after_day : float
        Day of the last photo without it; -inf if there is none.
    by_day : float
        Day of the first photo with it.

    Examples
    --------
    >>> happened_between(7, 14).probability_by(14)
    1.0
    """
    known = after_day != -inf
    return DayForecast(
        made_on_day=by_day,
        day=(after_day + by_day) / 2 if known else by_day,
        low_day=after_day,
        high_day=by_day,
        days=(after_day, by_day) if known else (by_day,),
        probability=(0.0, 1.0) if known else (1.0,),
        happened=True,
        reason=reason,
    )


def no_forecast(made_on_day: float, reason: str) -> DayForecast:
    """Return the forecast of which nothing can be said: no date, and no probability."""
    return DayForecast(
        made_on_day=made_on_day,
        day=None,
        low_day=made_on_day,
        high_day=inf,
        days=(made_on_day,),
        probability=(0.0,),
        reason=reason,
    )


def day_forecast(
    made_on_day: float,
    days: tuple[float, ...],
    probability: tuple[float, ...],
    *,
    told: bool = True,
    confidence: float = 0.95,
    reason: str = "",
) -> DayForecast:
    """Return the forecast whose days are read off a table of probabilities.

    Parameters
    ----------
    made_on_day : float
    days, probability : tuple of float
        As in `DayForecast`.
    told : bool
        False where no date can be given whatever the table holds.
    confidence : float
        Of the interval.
    """
    table = np.maximum.accumulate(np.clip(probability, 0.0, 1.0))

    def reached(level: float) -> float:
        if table[-1] < level:
            return inf
        first = int(np.searchsorted(table, level))
        if first == 0:
            return float(days[0])
        low, high = table[first - 1], table[first]
        share = (level - low) / (high - low)
        return float(days[first - 1] + share * (days[first] - days[first - 1]))

    tail = (1 - confidence) / 2
    middle = reached(0.5)
    return DayForecast(
        made_on_day=made_on_day,
        day=middle if told and not isinf(middle) else None,
        low_day=min(reached(tail), middle),
        high_day=reached(1 - tail),
        days=days,
        probability=tuple(float(one) for one in table),
        reason=reason,
    )
