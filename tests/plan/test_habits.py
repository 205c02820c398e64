from math import inf

import numpy as np
import pytest
from made_pieces import cut, plate_of, state_of

from polypvision.outcomes import Span
from polypvision.plan import LossRecord, losses_of
from polypvision.plan.laws import learn_lag
from polypvision.plan.losses import learn_losses


def test_nothing_seen_leaves_the_custom() -> None:
    law = learn_lag([], np.random.default_rng(0))
    assert law.mean_days.mean() == pytest.approx(7, abs=0.5)
    assert law.mean_days.std() > 4


def test_the_lag_is_learned_from_spans_between_photos() -> None:
    rng = np.random.default_rng(1)
    visits = np.arange(0, 90, 7.0)

    def seen(day: float) -> Span:
        return Span(low=float(visits[visits < day].max()), high=float(visits[visits >= day].min()))

    sealed = rng.lognormal(np.log(14), 0.3, 60)
    mouth = sealed + rng.normal(12, 2.5, 60)
    law = learn_lag([(seen(a), seen(b)) for a, b in zip(sealed, mouth, strict=True)], rng)
    assert law.mean_days.mean() == pytest.approx(12, abs=1)
    assert law.mean_days.std() < 1
    assert law.spread_days.mean() == pytest.approx(2.5, abs=1.2)


def test_a_mouth_that_has_not_come_is_later_than_it_was() -> None:
    law = learn_lag([], np.random.default_rng(0))
    days = np.array([5.0, 10, 20])
    early = law.share_by_if_not_at(days, np.array([-50.0])).mean(axis=0)
    late = law.share_by_if_not_at(days, np.array([5.0])).mean(axis=0)
    assert early == pytest.approx(law.share_by(days).mean(axis=0), abs=1e-3)
    assert late[0] == 0
    assert np.all(late[1:] < early[1:])
    # One that took far longer than any before may still come.
    assert np.isfinite(law.share_by_if_not_at(days + 500, np.array([400.0]))).all()


def test_wounds_still_open_say_nothing_of_the_lag() -> None:
    rng = np.random.default_rng(0)
    blind = learn_lag([(Span(low=14, high=inf), Span(low=14, high=inf))] * 5, rng)
    usual = learn_lag([], np.random.default_rng(0))
    assert blind.mean_days.mean() == pytest.approx(usual.mean_days.mean())


def test_losses_and_days_are_counted_raw_and_whole() -> None:
    # Of three pieces one is lost raw between days 7 and 14.
    state = state_of(plate_of([(20, 25, inf), (20, 25, inf), (30, 40, 10)]), [cut()])
    record = losses_of(state.tracks, state.courses)
    # 21 days raw for two, and 7 + 3.5 for the third; the rest of 56 days whole.
    assert record.raw_days == pytest.approx(2 * 21 + 10.5)
    assert record.whole_days == pytest.approx(2 * 35)
    assert record.whole_losses == 0
    # As sure as the photos are: missed on five photos one after the other.
    assert record.raw_losses == pytest.approx(0.99, abs=0.01)


def test_rates_of_loss_are_those_of_the_record() -> None:
    record = LossRecord(raw_days=4000, raw_losses=20, whole_days=20000, whole_losses=10)
    rates = learn_losses([record], np.random.default_rng(0))
    assert rates.raw_per_day.mean() == pytest.approx(20.5 / 4250, rel=0.1)
    assert rates.whole_per_day.mean() == pytest.approx(10.5 / 20250, rel=0.1)
    days = np.array([0.0, 10, 20])
    never, always = np.zeros((1, 3)), np.ones((1, 3))
    alive = rates.alive(days, never).mean(axis=0)
    assert alive[0] == 1
    assert alive[2] == pytest.approx(np.exp(-20 * 20.5 / 4250), rel=0.01)
    assert np.all(rates.alive(days, always).mean(axis=0)[1:] > alive[1:])


def test_a_room_without_a_loss_is_not_taken_for_one_that_never_loses() -> None:
    rates = learn_losses([LossRecord(whole_days=500)], np.random.default_rng(0))
    assert 0 < rates.whole_per_day.mean() < 0.002
