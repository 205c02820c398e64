from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypvision.outcomes import Curve, Span, curve, curves, kaplan_meier, turnbull, wilson_interval

VISITS = (0, 3, 7, 14, 21, 28, 42, 56)


def between_visits(day: float, visits: tuple[int, ...] = VISITS) -> Span:
    """Return what photos on these days tell of something that happened on that day."""
    before = [visit for visit in visits if visit < day]
    after = [visit for visit in visits if visit >= day]
    return Span(low=max(before, default=0), high=min(after, default=inf))


def test_nothing_is_an_empty_curve() -> None:
    empty = curve([])
    assert (empty.n, len(empty.mass), empty.median()) == (0, 0, None)
    assert empty.share_after(10) == (1.0, 1.0)
    assert empty.interval_after(10) == (0.0, 1.0)
    with pytest.raises(ValueError, match="no curve"):
        kaplan_meier([])


def test_nothing_happened_so_far() -> None:
    fitted = curve([Span(low=14, high=inf)] * 5)
    assert fitted.share_after(14) == (1.0, 1.0)
    low, high = fitted.interval_after(14)
    assert (low, high) == pytest.approx(wilson_interval(5, 5))
    # After the last photo nothing is known.
    assert fitted.interval_after(15) == (0.0, 1.0)


@pytest.mark.parametrize(("low", "high"), [(-1, 3), (5, 4), (inf, inf)])
def test_spans_that_cannot_be(low: float, high: float) -> None:
    with pytest.raises(ValueError, match="a span runs"):
        Span(low=low, high=high)


@given(st.lists(st.floats(1, 70), min_size=1, max_size=20), st.randoms())
def test_a_curve_falls_and_does_not_ask_for_the_order(days: list[float], chance: object) -> None:
    spans = [between_visits(day) for day in days]
    fitted = turnbull(spans)
    assert np.all(np.diff(fitted.after) <= 1e-12)
    assert fitted.mass.sum() <= 1 + 1e-9
    again = turnbull(sorted(spans, reverse=True))
    assert again.after == pytest.approx(fitted.after, abs=1e-6)


def test_daily_photos_give_the_kaplan_meier_curve() -> None:
    rng = np.random.default_rng(3)
    days = rng.uniform(1, 40, 60)
    daily = tuple(range(31))
    spans = [between_visits(day, daily) for day in days]
    assert curve(spans).method == "Kaplan-Meier"
    fitted = turnbull(spans)
    assert fitted.after == pytest.approx(kaplan_meier(spans).after, abs=1e-9)


def test_the_median_lies_between_two_photos_and_holds_the_truth() -> None:
    rng = np.random.default_rng(5)
    days = rng.lognormal(np.log(12), 0.3, 400)
    median = curve([between_visits(day) for day in days]).median()
    assert median is not None
    assert median.low < 12 <= median.high


@pytest.mark.parametrize("n", [8, 20])
def test_intervals_hold_the_true_share(n: int) -> None:
    # 95 % were stated; two standard errors of 600 cases are 1.8 %, and Wilson's interval of few
    # pieces is known to hold a little less or more.
    rng = np.random.default_rng(7)
    held = 0
    cases = 600
    for _ in range(cases):
        days = rng.lognormal(np.log(14), 0.4, n)
        offset = rng.integers(0, 3)
        visits = tuple(visit + int(offset) for visit in VISITS)
        low, high = curve([between_visits(day, visits) for day in days]).interval_after(
            float(visits[4])
        )
        true = float(np.mean(rng.lognormal(np.log(14), 0.4, 4000) > visits[4]))
        held += low <= true <= high
    assert 0.92 <= held / cases <= 0.985


def test_the_median_is_not_squeezed_into_the_gap_where_photos_of_two_plates_overlap() -> None:
    # Of four, the second to get through did so somewhere in (6, 12]: the photos tell no more,
    # though (11, 12] alone would explain two of them.
    spans = [
        Span(low=5, high=11),
        Span(low=6, high=12),
        Span(low=11, high=18),
        Span(low=12, high=19),
    ]
    median = curve(spans).median()
    assert median is not None
    assert (median.low, median.high) == (6, 12)


def test_many_pieces_count_in_whole_days() -> None:
    """Their curve allows the true share, and that of as many pieces without minutes is the same."""
    rng = np.random.default_rng(3)
    days = rng.gamma(8, 2.0, 1500)
    plain = [between_visits(day) for day in days]
    minutes = [
        Span(low=span.low + rng.uniform(0, 0.4), high=span.high - rng.uniform(0, 0.4))
        for span in plain
    ]
    fitted = curve(minutes)
    assert fitted.mass == pytest.approx(curve(plain).mass, abs=1e-9)
    assert fitted.left.tolist() == curve(plain).left.tolist()
    for day in (7.0, 14.0, 17.5, 21.0):
        least, greatest = fitted.share_after(day)
        # The sampling error of a share of 1500 is at most 0.013.
        assert least - 0.04 < float((days > day).mean()) < greatest + 0.04


def test_spans_that_are_alike_count_as_often_as_they_are_there() -> None:
    """Doubling every piece leaves the curve as it was."""
    spans = [between_visits(day) for day in (2.0, 5.0, 5.5, 12.0, 30.0)] + [Span(low=21, high=inf)]
    once, twice = turnbull(spans), turnbull([*spans, *spans])
    assert twice.mass == pytest.approx(once.mass, abs=1e-9)
    assert twice.left.tolist() == once.left.tolist()


def chance_of(fitted: Curve, span: Span) -> float:
    """The chance of what was seen of a piece, by the curve."""
    if span.low == span.high:
        return float(fitted.mass[(fitted.left == span.low) & (fitted.right == span.low)].sum())
    late = 0.0 if span.high == inf else 1.0 - float(fitted.mass[fitted.right <= span.high].sum())
    return 1.0 - float(fitted.mass[fitted.right <= span.low].sum()) - late


@st.composite
def any_spans(draw: st.DrawFn) -> list[Span]:
    """Spans of any length, known days, and pieces to which it has not happened."""
    low = st.integers(0, 30)
    length = st.one_of(st.integers(0, 40), st.just(inf))
    pairs = draw(st.lists(st.tuples(low, length), min_size=1, max_size=40))
    return [Span(low=float(low), high=low + float(more)) for low, more in pairs]


@given(any_spans())
def test_no_day_would_gain_by_having_more_of_the_mass(spans: list[Span]) -> None:
    # The conditions of Karush, Kuhn and Tucker for the greatest likelihood: Gentleman R, Geyer CJ
    # 1994, Biometrika 81:618-623 (from memory). Days between two ends are all alike.
    fitted = turnbull(spans)
    chances = np.array([chance_of(fitted, span) for span in spans])
    assert chances.min() > 0
    ends = sorted({end for span in spans for end in (span.low, span.high) if end < inf})
    days = [*ends, *(end + 0.5 for end in ends)]
    for day in days:
        holds = np.array([
            span.low < day <= span.high or span.low == span.high == day for span in spans
        ])  # fmt: skip
        assert float((holds / chances).mean()) <= 1 + 1e-6


def test_it_takes_few_steps_where_em_takes_tens_of_thousands(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(4)
    day, early, more = rng.gamma(8, 2.0, 90), rng.uniform(0, 7, 90), rng.uniform(0, 7, 90)
    low = np.maximum(day - early, 0)
    high = np.where(rng.random(90) < 0.2, inf, day + more)
    spans = [Span(low=a, high=b) for a, b in zip(low, high, strict=True)]
    monkeypatch.setattr(curves, "_STEPS", 25)
    fitted = turnbull(spans)
    # Plain EM (Turnbull 1976), on the places that the curve has and those of no mass beside them.
    lows, highs = np.array(sorted(low)), np.array(sorted(high))
    lefts = [a for a in lows if not ((lows > a) & (lows < highs[highs > a][0])).any()]
    rights = [highs[highs > a][0] for a in lefts]
    inside = (low[:, None] <= lefts) & (np.array(rights) <= high[:, None])
    mass, likelihood = np.full(len(lefts), 1 / len(lefts)), []
    for _ in range(20_000):
        chance = inside @ mass
        likelihood.append(float(np.log(chance).sum()))
        mass = mass * (inside / chance[:, None]).mean(axis=0)
    reached = sum(np.log(chance_of(fitted, span)) for span in spans)
    assert likelihood[-1] - 1e-9 <= reached <= likelihood[-1] + 1e-4
    assert likelihood[50] < reached - 1e-3
    em = 1.0 - np.cumsum(mass)[np.isin(rights, fitted.right)]
    assert fitted.after == pytest.approx(em, abs=2e-3)
