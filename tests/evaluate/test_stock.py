from math import inf

import numpy as np
import pytest

from polypvision.evaluate.rooms import RoomSettings, draw_room
from polypvision.evaluate.stock import score_stock, stock_record, stock_rows


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
    # every time. Of 9 plates and 4 weeks, that depend on each other, most must be held.
    scores = score_stock(9, seed=3, weeks=4, settings=RoomSettings(n_plates=3))
    assert [one.weeks for one in scores] == [1, 2, 3, 4]
    assert sum(one.held for one in scores) >= 0.8 * sum(one.n for one in scores)
    # Not by being uselessly wide: of 12 pieces.
    assert all(one.width < 8 for one in scores)
    assert all(one.no_loss_bias > one.bias for one in scores)
    assert len(stock_rows(scores)) == 6
    assert stock_record(scores)[0]["coverage"] == pytest.approx(scores[0].coverage)
