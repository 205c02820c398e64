"""Corrections done to readings: numbers from outlines, undo and redo, the machine read again."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from correction_makers import correction, polyp_of
from hypothesis import given, settings
from hypothesis import strategies as st
from time_builders import PX_PER_MM, ellipse, make_polyp, make_reading

from polypvision.corrections import Act, Correction, apply, correct, to_redo, to_undo
from polypvision.corrections.acts import (
    AddMouth,
    AddPolyp,
    DeleteMouth,
    DeletePolyp,
    EraseWound,
    MergePolyps,
    MoveMouth,
    PaintWound,
    ReshapePolyp,
    SplitPolyp,
    Withdraw,
)
from polypvision.corrections.record import from_record, to_record
from polypvision.measure.shape import polygon_area
from polypvision.reading import PlateReading, Points
from polypvision.reading import to_record as reading_record

PLANE = np.diag([PX_PER_MM, PX_PER_MM, 1.0])


def plate(*polyps: object) -> PlateReading:
    made = polyps or (make_polyp(1, 20, 20, 16.0), make_polyp(2, 50, 20, 18.0))
    return replace(make_reading(0, made), plate_to_photo=PLANE)  # type: ignore[arg-type]


def box(x: float, y: float, wide: float, high: float) -> Points:
    """A rectangle in pixels, from mm."""
    corners = np.array([[x, y], [x + wide, y], [x + wide, y + high], [x, y + high]])
    return corners * PX_PER_MM


def line(*mm: tuple[float, float]) -> Points:
    return np.array(mm) * PX_PER_MM


def test_without_corrections_it_is_the_reading_itself() -> None:
    reading = plate()
    assert apply(reading, ()) is reading


def test_an_added_polyp_has_the_numbers_of_its_outline() -> None:
    # A 12 x 9 mm rectangle by algebra: area 108, diagonal 15, equivalent diameter sqrt(432/pi).
    reading = plate()
    act = AddPolyp(outline_px=box(70, 10, 12, 9), mouths_px=((456.0, 87.0), (462.0, 87.0)))
    after = apply(reading, [correction(1, act)])
    new = polyp_of(after, 3)
    assert new.area_mm2 == pytest.approx(108)
    assert new.diameter_mm == pytest.approx(np.sqrt(432 / np.pi))
    assert new.feret_max_mm == pytest.approx(15)
    assert (new.x_mm, new.y_mm, new.x_px) == pytest.approx((76, 14.5, 456))
    assert (new.n_mouths, new.two_mouths_probability, new.score) == (2, 1.0, 1.0)
    assert "two-mouths" in new.flags
    assert new.corrected_by == ("Ada",)
    # 0.10 mm along 42 mm of outline, and the scale's own error.
    scale = 2 * 0.0005 * PX_PER_MM * 108
    assert new.area_mm2_err == pytest.approx(np.hypot(4.2, scale))
    assert after.polyps[:2] == reading.polyps


def test_delete_and_reshape() -> None:
    reading = plate()
    one, two = reading.polyps
    after = apply(
        reading,
        [
            correction(1, DeletePolyp(), one),
            correction(2, ReshapePolyp(outline_px=box(41, 11, 18, 18)), two, author="Bo"),
        ],
    )
    [left] = after.polyps
    assert (left.label, left.corrected_by) == (2, ("Bo",))
    assert left.area_mm2 == pytest.approx(324)
    assert left.mouths == two.mouths
    assert left.two_mouths_probability == two.two_mouths_probability


def test_mouths_are_added_moved_and_deleted() -> None:
    reading = plate()
    one = reading.polyps[0]
    added = apply(reading, [correction(1, AddMouth(place_px=(138, 120)), one)])
    new = polyp_of(added, 1)
    assert (new.n_mouths, new.two_mouths_probability) == (2, 1.0)
    assert (new.mouths[1].x_mm, new.mouths[1].y_mm) == pytest.approx((23, 20))
    assert new.area_mm2 == one.area_mm2
    normal = apply(reading, [correction(1, AddMouth(place_px=(138, 120)), one)], normal_mouths=2)
    assert "two-mouths" in new.flags
    assert "two-mouths" not in polyp_of(normal, 1).flags
    acts = [
        correction(1, AddMouth(place_px=(138, 120)), one),
        correction(2, MoveMouth(from_px=(137, 120), to_px=(144, 126)), new),
        correction(3, DeleteMouth(place_px=(120, 121)), new),
    ]
    [mouth] = polyp_of(apply(reading, acts), 1).mouths
    assert (mouth.x_px, mouth.y_px) == (144, 126)


def test_a_mouth_that_a_newer_machine_finds_is_not_counted_twice() -> None:
    reading = plate()
    one = reading.polyps[0]
    act = correction(1, AddMouth(place_px=(140, 120)), one)
    mouths = (*one.mouths, replace(one.mouths[0], x_px=141.0, x_mm=23.5, score=0.7))
    newer = plate(replace(one, mouths=mouths), reading.polyps[1])
    assert polyp_of(apply(newer, [act]), 1).n_mouths == 2


def test_painted_and_erased_wounds_have_the_size_of_what_was_drawn() -> None:
    reading = plate(make_polyp(1, 30, 30, 30.0))
    one = reading.polyps[0]
    paint = correction(1, PaintWound(outline_px=box(25, 25, 8, 6)), one)
    after = polyp_of(apply(reading, [paint]), 1)
    # 8 x 6 mm by algebra; corners are rounded off a little where it is painted (own limit, 1 %).
    assert after.wound_mm2 == pytest.approx(48, rel=0.01)
    assert after.wound_margin_mm == pytest.approx(28, rel=0.04)
    assert "wound" in after.flags
    assert after.area_mm2 == one.area_mm2
    erase = correction(2, EraseWound(outline_px=box(29, 20, 20, 20)), after)
    assert polyp_of(apply(reading, [paint, erase]), 1).wound_mm2 == pytest.approx(24, rel=0.03)
    # A hole in the middle is no wound, though an outline alone could not show it.
    hole = correction(2, EraseWound(outline_px=box(27, 27, 3, 2)), after)
    assert polyp_of(apply(reading, [paint, hole]), 1).wound_mm2 == pytest.approx(42, rel=0.03)
    away = correction(2, EraseWound(outline_px=box(10, 10, 50, 50)), after)
    clean = polyp_of(apply(reading, [paint, away]), 1)
    assert (clean.wound_mm2, clean.wound_outlines_px) == (0, ())
    assert "wound" not in clean.flags


def test_a_wound_is_cut_off_at_the_polyps_margin() -> None:
    # Half a disc of 20 mm: pi 100 / 2.
    reading = plate(make_polyp(1, 30, 30, 20.0))
    paint = correction(1, PaintWound(outline_px=box(30, 10, 40, 40)), reading.polyps[0])
    assert polyp_of(apply(reading, [paint]), 1).wound_mm2 == pytest.approx(157.08, rel=0.02)


@settings(max_examples=15, deadline=None)
@given(
    st.floats(8, 40), st.floats(1, 1.8), st.floats(0, 180), st.floats(0, 180), st.floats(-0.3, 0.3)
)
def test_merging_what_was_split_gives_back_the_area(
    size: float, stretch: float, turn: float, cut: float, off: float
) -> None:
    reading = plate(make_polyp(1, 60, 60, size, stretch=stretch, turn_deg=turn, n_mouths=2))
    whole = reading.polyps[0]
    way = np.array([np.cos(np.deg2rad(cut)), np.sin(np.deg2rad(cut))])
    middle = np.array([60, 60]) + off * size / 2 * np.array([-way[1], way[0]])
    across = np.array([middle - 0.2 * size * way, middle + 0.2 * size * way]) * PX_PER_MM
    split = correction(1, SplitPolyp(line_px=across), whole)
    parts = apply(reading, [split])
    assert parts.n_polyps == 2
    drawn = polygon_area(whole.outline_px)
    assert sum(polygon_area(one.outline_px) for one in parts.polyps) == pytest.approx(drawn)
    assert parts.n_mouths == 2
    assert all("touching" in one.flags for one in parts.polyps)
    merge = correction(2, MergePolyps(), *parts.polyps)
    [one] = apply(reading, [split, merge]).polyps
    assert polygon_area(one.outline_px) == pytest.approx(drawn, abs=1.0)  # one pixel
    assert one.n_mouths == 2


def test_merged_polyps_with_a_gap_take_it_in_and_far_ones_stay() -> None:
    near = plate(make_polyp(1, 20, 20, 16.0), make_polyp(2, 37, 20, 16.0))
    [one] = apply(near, [correction(1, MergePolyps(), *near.polyps)]).polyps
    assert one.area_mm2 > sum(polyp.area_mm2 for polyp in near.polyps) * 0.99
    assert one.feret_max_mm == pytest.approx(33, abs=0.1)
    far = plate(make_polyp(1, 20, 20, 16.0), make_polyp(2, 60, 20, 16.0))
    found = correct(far, [correction(1, MergePolyps(), *far.polyps)])
    assert found.standings[0].state == "open"
    assert "too far apart" in found.standings[0].why
    assert found.reading is far


def test_touching_follows_its_neighbours() -> None:
    beside = make_polyp(2, 36, 20, 16.0, flags=("touching",))
    reading = plate(make_polyp(1, 20, 20, 16.0, flags=("touching",)), beside)
    [left] = apply(reading, [correction(1, DeletePolyp(), reading.polyps[0])]).polyps
    assert left.flags == ()
    assert left.corrected_by == ()


def steps(reading: PlateReading, kinds: Sequence[int]) -> list[Correction]:
    """A chain of corrections, each done to the reading as those before it left it."""
    made: list[Correction] = []
    for number, kind in enumerate(kinds, 1):
        now = apply(reading, made)
        if not now.polyps or kind == 0:
            x = 20.0 + 13.0 * number
            act = AddPolyp(outline_px=ellipse(x, 90, 9, 9) * PX_PER_MM)
            made.append(correction(number, act))
            continue
        polyp = now.polyps[kind % len(now.polyps)]
        x, y = polyp.x_px, polyp.y_px
        acts: list[Act] = [
            DeletePolyp(),
            ReshapePolyp(outline_px=polyp.outline_px * 1.01),
            SplitPolyp(line_px=np.array([[x, y - 3.0], [x, y + 3.0]])),
            AddMouth(place_px=(x, y)),
            PaintWound(outline_px=ellipse(x, y, 20, 20)),
        ]
        made.append(correction(number, acts[kind % 5], polyp, author="AB"[number % 2]))
    return made


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=1, max_size=6), st.randoms())
def test_applying_and_withdrawing_gives_back_the_machines_reading(
    kinds: list[int], chance: object
) -> None:
    reading = plate(
        make_polyp(1, 20, 20, 16.0, wound_mm2=4.0), make_polyp(2, 50, 20, 18.0, n_mouths=2)
    )
    made = steps(reading, kinds)
    after = apply(reading, made)
    assert after is not reading
    n = len(made)
    undo = [correction(n + k, Withdraw(of=one.id)) for k, one in enumerate(reversed(made), 1)]
    mixed = [*made, *undo]
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    assert apply(reading, mixed) is reading
    redo = [correction(2 * n + k, Withdraw(of=one.id)) for k, one in enumerate(undo, 1)]
    again = apply(reading, [*redo, *mixed])
    assert reading_record(again) == reading_record(after)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=2, max_size=6), st.randoms())
def test_ties_of_clocks_change_nothing(kinds: list[int], chance: object) -> None:
    reading = plate()
    made = steps(reading, kinds)  # All at the same moment.
    shuffled = list(made)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    late_first = [replace(one, at=one.at.replace(minute=59 - one.number)) for one in shuffled]
    for order in (shuffled, late_first):
        assert reading_record(apply(reading, order)) == reading_record(apply(reading, made))


def test_undo_and_redo_are_each_persons_own() -> None:
    one, two = plate().polyps
    done = [
        correction(1, DeletePolyp(), one),
        correction(2, AddMouth(place_px=(300, 130)), two, author="Bo"),
        correction(3, AddMouth(place_px=(300, 110)), two),
    ]
    assert (to_undo(done, "Ada"), to_undo(done, "Bo"), to_undo(done, "Cy")) == (
        "c00003",
        "c00002",
        None,
    )
    assert to_redo(done, "Ada") is None
    done.append(correction(4, Withdraw(of="c00003")))
    assert to_undo(done, "Ada") == "c00001"
    done.append(correction(5, Withdraw(of="c00001")))
    assert to_undo(done, "Ada") is None
    assert to_redo(done, "Ada") == "c00005"
    done.append(correction(6, Withdraw(of="c00005")))
    assert (to_undo(done, "Ada"), to_redo(done, "Ada")) == ("c00001", "c00004")
    done.append(correction(7, AddMouth(place_px=(300, 100)), two))
    assert (to_undo(done, "Ada"), to_redo(done, "Ada")) == ("c00007", None)


def test_a_newer_reading_is_matched_by_place_not_by_label() -> None:
    older = plate()
    two = older.polyps[1]
    corrections = [
        correction(1, ReshapePolyp(outline_px=two.outline_px * [1.0, 1.02]), two),
        correction(2, DeletePolyp(), older.polyps[0]),
    ]
    # Other labels, slightly other outlines, and one polyp more.
    newer = plate(
        make_polyp(1, 50.3, 20.2, 18.4), make_polyp(2, 80, 20, 15.0), make_polyp(3, 19.8, 20, 16.3)
    )
    found = correct(newer, corrections)
    assert [one.state for one in found.standings] == ["applied", "applied"]
    assert [one.label for one in found.reading.polyps] == [1, 2]
    assert polyp_of(found.reading, 1).corrected_by == ("Ada",)
    assert polyp_of(found.reading, 2) is newer.polyps[1]
    assert found.machine is newer


def test_what_is_not_found_any_more_stays_open() -> None:
    older = plate()
    corrections = [correction(1, AddMouth(place_px=(126, 120)), older.polyps[0])]
    gone = plate(older.polyps[1])
    found = correct(gone, corrections)
    [standing] = found.open
    assert "Polyp 1, as it stood at x 120, y 120, is not found" in standing.why
    assert found.reading is gone
    # The machine finds it once more: the correction holds again.
    assert polyp_of(apply(older, corrections), 1).n_mouths == 2


def test_an_added_polyp_that_a_newer_machine_finds_is_not_doubled() -> None:
    older = plate()
    outline = ellipse(80, 20, 14, 14) * PX_PER_MM
    add = correction(1, AddPolyp(outline_px=outline))
    assert apply(older, [add]).n_polyps == 3
    newer = plate(*older.polyps, make_polyp(3, 80.4, 20, 13.5))
    after = apply(newer, [add])
    assert after.n_polyps == 3
    assert np.array_equal(polyp_of(after, 3).outline_px, outline)


def test_readings_without_their_plane_are_measured_by_their_outlines() -> None:
    known = plate()
    old = replace(known, plate_to_photo=None)
    act = correction(1, AddPolyp(outline_px=box(70, 10, 12, 9)))
    new, expected = (polyp_of(apply(one, [act]), 3) for one in (old, known))
    assert new.area_mm2 == pytest.approx(expected.area_mm2, rel=1e-6)
    empty = replace(known, plate_to_photo=None, polyps=())
    [standing] = correct(empty, [act]).open
    assert "Read it again" in standing.why


def test_a_tilted_plane_is_measured_on_the_plate() -> None:
    tilted = np.array([[5.0, 0.4, 30.0], [0.2, 6.0, 12.0], [0.0004, 0.0009, 1.0]])
    reading = replace(make_reading(0, ()), plate_to_photo=tilted)
    square = np.array([[20.0, 20.0, 1], [40, 20, 1], [40, 40, 1], [20, 40, 1]])
    photo = square @ tilted.T
    act = AddPolyp(outline_px=photo[:, :2] / photo[:, 2:])
    [new] = apply(reading, [correction(1, act)]).polyps
    assert new.area_mm2 == pytest.approx(400)
    assert (new.x_mm, new.y_mm) == pytest.approx((30, 30))


@pytest.mark.parametrize("kinds", [(0, 1, 2, 3, 4, 5)])
def test_a_record_says_all(kinds: tuple[int, ...]) -> None:
    reading = plate()
    made = [*steps(reading, kinds), correction(9, Withdraw(of="c00001"))]
    back = [from_record(to_record(one)) for one in made]
    assert [to_record(one) for one in back] == [to_record(one) for one in made]
    first, second = apply(reading, back), apply(reading, made)
    for ours, theirs in zip(first.polyps, second.polyps, strict=True):
        assert ours.area_mm2 == pytest.approx(theirs.area_mm2, abs=0.01)
