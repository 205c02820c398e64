from math import inf

import numpy as np
import pytest
from scipy.stats import binom

from polypvision.evaluate.rooms import RoomSettings, draw_room
from polypvision.evaluate.stock import central_part, score_stock, stock_record, stock_rows
from polypvision.plan.counts import interval


def test_a_room_is_what_its_settings_say() -> None:
    settings = RoomSettings(n_plates=40, spread=0.0, stalled_share=0.0, missed_mouths=0.0)
    room = draw_room(settings, 28, np.random.default_rng(4))
    pieces = [piece for plate in room for piece in plate.pieces]
    assert len(pieces) == 40 * settings.n_pieces
    assert settings.sealed_days[0] <= pieces[0].sealed_day <= settings.sealed_days[1]
    assert all(piece.mouth_day > piece.sealed_day for piece in pieces)
    for plate in room[:5]:
        for individual in plate.tracks.individuals:
            piece = plate.pieces[int(individual.name[1:]) - 1]
            assert all(seen.day < piece.lost_day for seen in individual.observations)
            assert (individual.end == "lost") == (piece.lost_day <= 28)
    assert not pieces[0].ready_on(pieces[0].mouth_day - 0.1, 5.0)
    assert pieces[0].ready_on(pieces[0].mouth_day + 0.1, 5.0) == (
        pieces[0].lost_day > pieces[0].mouth_day + 0.1
    )


def test_a_stalled_wound_never_closes() -> None:
    settings = RoomSettings(stalled_share=1.0)
    piece = draw_room(settings, 7, np.random.default_rng(1))[0].pieces[0]
    assert (piece.sealed_day, piece.mouth_day) == (inf, inf)
    assert piece.wound_at(100) == piece.wound_mm2


def test_stock_intervals_hold_what_became_of_the_plates() -> None:
    # `polypvision evaluate --stock 500` is the real measurement; this one is small enough to run
    # every time. Of 6 plates and 4 weeks, that depend on each other, most must be held.
    small = RoomSettings(n_plates=2, n_pieces=10)
    scores = score_stock(6, seed=3, weeks=4, settings=small)
    assert [(one.weeks, one.n) for one in scores] == [(1, 6), (2, 6), (3, 6), (4, 6)]
    assert sum(one.held for one in scores) >= 0.8 * sum(one.n for one in scores)
    # Not by being uselessly wide: of 10 pieces.
    assert all(one.width < 7 for one in scores)
    assert all(one.no_loss_bias > one.bias for one in scores)
    assert all(0.95 <= one.stated <= 1 for one in scores)
    assert len(stock_rows(scores)) == 7
    assert stock_record(scores)[0]["coverage"] == pytest.approx(scores[0].coverage)


def test_forgetting_losses_is_found_out() -> None:
    deadly = RoomSettings(
        n_plates=2, n_pieces=10, raw_loss_per_day=(0.3, 0.3), whole_loss_per_day=(0.3, 0.3)
    )
    (week, *_) = score_stock(2, seed=3, weeks=1, settings=deadly)
    assert week.no_loss_bias > week.bias


def test_the_middle_of_a_law_of_counts() -> None:
    # Czado, Gneiting & Held 2009, Biometrics 65:1254-1261: the mean over an honest law is the
    # confidence, whatever the law; here over binomial and lumpy ones, by summing over the truth.
    for law in (binom(10, 0.3).pmf(range(11)).tolist(), [0.02, 0.0, 0.9, 0.08], [1.0]):
        mean = sum(chance * central_part(law, n) for n, chance in enumerate(law))
        assert mean == pytest.approx(0.95)
    assert central_part([1.0], 3) == 0.0
    # Whole numbers: the interval itself holds more.
    low, high = interval(np.array([0.02, 0.0, 0.9, 0.08]))
    assert (low, high) == (2, 3)
