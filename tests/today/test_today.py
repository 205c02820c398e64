from dataclasses import replace
from datetime import date, timedelta
from math import inf

import pytest
from made_pieces import DAYS, cut, plate_of, state_of
from time_builders import START, grid, make_polyp, make_reading

from polypvision.events import LogEntry
from polypvision.reading import PhotoFacts, PlateReading, Refusal
from polypvision.today import TASK_KINDS, Task, TodaySettings, things_to_do

HEALED = [(13.0, 20.0, inf)] * 3


def on(day: float) -> date:
    return (START + timedelta(days=day)).date()


def of(kind: str, tasks: tuple[Task, ...]) -> list[Task]:
    return [one for one in tasks if one.kind == kind]


def photo_due(
    last: float, today: float, days: tuple[float, ...] = DAYS, **settings: object
) -> list[Task]:
    state = state_of(plate_of(HEALED, tuple(d for d in days if d <= last)), [cut()])
    chosen = TodaySettings(**settings)  # type: ignore[arg-type]
    return of("photo", things_to_do([state], on(today), settings=chosen))


@pytest.mark.parametrize(
    ("last", "today", "due"),
    [
        (0, 2, None),
        (0, 3, 3),
        (0, 5, 3),
        (3, 6, None),
        (3, 7, 7),
        (7, 15, 14),
        (14, 20, None),
        (14, 21, 21),
        (28, 43, 42),
        (42, 56, 56),
    ],
)
def test_photos_are_due_on_the_days_of_the_plan(last: float, today: float, due: int | None) -> None:
    # Days 0, 3, 7, 14, 21, 28, 42 and 56 after a cut: common practice, no source.
    tasks = photo_due(last, today)
    assert len(tasks) == (due is not None)
    if due is not None:
        assert tasks[0].why == f"Day {due} after the cut of 4 Mar 2031 is due."
        assert tasks[0].evidence.startswith("Last photo on ")


def test_a_photo_a_day_early_is_as_good() -> None:
    assert photo_due(13, 15, (0, 3, 7, 13)) == []
    assert photo_due(11, 15, (0, 3, 7, 11))


def test_the_plan_can_be_changed() -> None:
    assert photo_due(0, 3, photo_days=(0, 5)) == []
    assert photo_due(0, 5, photo_days=(0, 5))
    with pytest.raises(ValueError, match="photo_days"):
        TodaySettings(photo_days=(3, 0))
    with pytest.raises(ValueError, match="every_days"):
        TodaySettings(every_days=0)


def test_after_the_plan_and_without_a_cut_a_photo_is_due_now_and_then() -> None:
    assert photo_due(56, 80) == []
    (task,) = photo_due(56, 84)
    assert "more than 27 days" in task.why
    uncut = state_of(plate_of([(0.1, 0, inf)], (0.0,)))
    assert of("photo", things_to_do([uncut], on(20))) == []
    assert of("photo", things_to_do([uncut], on(28)))


def test_a_cut_after_the_last_photo_asks_for_one_now() -> None:
    state = state_of(plate_of(HEALED, (0.0, 3)), [cut(day=5)])
    tasks = things_to_do([state], on(5))
    (task,) = of("photo", tasks)
    assert task.why == "Day 0 after the cut of 9 Mar 2031 is due."
    assert "no photo since the cut" in of("log", tasks)[0].why


def test_a_plate_without_a_photo() -> None:
    state = state_of([])
    (task,) = things_to_do([state], on(0))
    assert (task.kind, task.why) == ("photo", "It has no photo yet.")
    cut_only = state_of([], [cut()])
    assert of("photo", things_to_do([cut_only], on(0)))[0].why.startswith("Day 0")


def test_a_stalled_and_a_growing_wound_come_first() -> None:
    def polyps(day: float) -> list[object]:
        still = make_polyp(1, 30, 30, 20.0, wound_mm2=30.0)
        worse = make_polyp(2, 80, 30, 20.0, wound_mm2=30.0 - min(day, 14) + max(day - 14, 0) * 2)
        return [still, worse]

    readings = [make_reading(day, polyps(day)) for day in DAYS[:6]]  # type: ignore[arg-type]
    tasks = things_to_do([state_of(readings, [cut()])], on(28))
    assert [(one.kind, one.who) for one in tasks[:2]] == [
        ("worsening", ("P02",)),
        ("stalled", ("P01",)),
    ]
    assert "No advance in" in tasks[1].why
    assert "30.0 ± 0.5 mm² on 1 Apr 2031" in tasks[1].evidence


def test_lost_pieces_are_looked_for_until_the_loss_is_logged() -> None:
    readings = plate_of([*HEALED, (13, 20, 50)])
    log = [cut()]
    tasks = things_to_do([state_of(readings, log)], on(56))
    (task,) = of("lost", tasks)
    assert task.who == ("P04",)
    assert "not found on the last photo" in task.evidence
    noted = LogEntry(
        plate="0042", at=START + timedelta(days=52), kind="loss", individual="P04", pieces=1
    )
    assert of("lost", things_to_do([state_of(readings, [*log, noted])], on(56))) == []


def test_a_dividing_polyp_is_left_whole() -> None:
    readings = [
        make_reading(day, [make_polyp(1, 50, 50, 40.0, n_mouths=2, flags=("two-mouths",))])
        for day in (0, 7, 14)
    ]
    tasks = things_to_do([state_of(readings)], on(14))
    (task,) = of("will divide", tasks)
    assert "expected to come apart about" in task.why
    assert "first seen on 4 Mar 2031" in task.evidence
    assert of("ready", tasks) == []
    # Without a date: about two months in all (Chen et al. 1995 by way of a handbook).
    (task,) = of("will divide", things_to_do([state_of(readings, fissions=())], on(14)))
    assert "two months" in task.why


def test_what_is_ready_and_what_can_be_fed() -> None:
    fates = [(13.0, 20.0, inf), (13.0, 25.0, inf), (40.0, 50.0, inf)]
    at_28 = state_of(plate_of(fates, DAYS[:6]), [cut()])
    tasks = things_to_do([at_28], on(28))
    (ready,) = of("ready", tasks)
    assert ready.who == ("P01", "P02")
    assert "new since the photo before: P02" in ready.evidence
    (feed,) = of("feed", tasks)
    assert feed.who == ("P02",)
    larger = replace(at_28, size_mm=30.0)
    assert of("ready", things_to_do([larger], on(28))) == []


def test_a_photo_that_could_not_be_read_is_taken_again() -> None:
    def refusal(day: float, plate: str | None, photo: str = "room/b.jpg") -> Refusal:
        facts = PhotoFacts(photo=photo, sha256="0", taken_at=START + timedelta(days=day))
        return Refusal(facts=facts, kind="blurred", message="The photo is blurred.", plate=plate)

    state = state_of(plate_of(HEALED, (0.0, 3, 7)), [cut()])
    (task,) = of("retake", things_to_do([state], on(9), refused=[refusal(8, "0042")]))
    assert (task.plate, task.what, task.why) == (
        "0042",
        "Take b.jpg again.",
        "The photo is blurred.",
    )
    # A good one of the same day, or long ago.
    assert of("retake", things_to_do([state], on(9), refused=[refusal(7, "0042")])) == []
    assert of("retake", things_to_do([state], on(60), refused=[refusal(8, "0042")])) == []
    # Which plate it shows is not known: a good one out of the same folder would do.
    assert of("retake", things_to_do([state], on(9), refused=[refusal(7, None)]))
    assert not of("retake", things_to_do([state], on(9), refused=[refusal(7, None, "b.jpg")]))
    undated = replace(refusal(0, None), facts=PhotoFacts(photo="c.jpg", sha256="1"))
    assert of("retake", things_to_do([state], on(9), refused=[undated]))


def test_a_soft_latest_photo_is_taken_again() -> None:
    soft = make_reading(7, [make_polyp(1, 50, 50)], flags=("soft",))
    (task,) = of("retake", things_to_do([state_of([soft])], on(7)))
    assert "focus on the plate" in task.why


def test_the_list_is_ordered_and_the_same_every_time() -> None:
    states = [
        state_of(plate_of([*HEALED, (13, 20, 50)], plate=name), [cut(plate=name)], plate=name)
        for name in ("0044", "0042")
    ]
    tasks = things_to_do(states, on(90))
    order = [TASK_KINDS.index(one.kind) for one in tasks]
    assert order == sorted(order)
    assert [one.plate for one in of("lost", tasks)] == ["0042", "0044"]
    assert things_to_do(list(reversed(states)), on(90)) == tasks
    assert all(one.what and one.why and one.evidence for one in tasks)


def test_nothing_to_do() -> None:
    assert things_to_do([], on(0)) == ()


def _mixed() -> list[PlateReading]:
    """Nine discs, three of each size, that change places before the second photo."""
    sizes = (12.0, 12.2, 12.1, 19.0, 19.2, 19.1, 29.0, 29.2, 29.1)
    stands = {0: 8, 8: 4, 4: 0, 1: 3, 3: 7, 7: 1, 2: 5, 5: 6, 6: 2}
    places = grid(3, 3, 36.0)
    return [
        make_reading(
            day,
            [
                make_polyp(n + 1, *places[stands[n] if day else n], size)
                for n, size in enumerate(sizes)
            ],
        )
        for day in (0.0, 7.0)
    ]


def test_who_is_left_open_is_asked_for_until_nobody_remembers() -> None:
    state = state_of(_mixed())
    (task,) = of("who is who", things_to_do([state], on(7)))
    gone = [one.name for one in state.tracks.individuals if one.end == "open"]
    assert set(gone) < set(task.who)
    assert task.what.startswith("Say who P10")
    assert "cannot be told from the photos" in task.why
    assert "Photo of 11 Mar 2031" in task.evidence
    assert f"polypvision log same 0042 P10={gone[0]}" in task.evidence
    assert of("who is who", things_to_do([state], on(35)))
    assert of("who is who", things_to_do([state], on(36))) == []


def test_two_that_may_have_changed_places_are_asked_about() -> None:
    places = grid(3, 3, 36.0)

    def reading(day: float) -> PlateReading:
        sizes = [20.0] * 9
        sizes[2], sizes[5] = (21.24, 18.84) if day < 20 else (18.84, 21.24)
        return make_reading(day, [make_polyp(n + 1, *places[n], s) for n, s in enumerate(sizes)])

    state = state_of([reading(day) for day in (0.0, 7, 14, 21, 28, 35)])
    (task,) = of("who is who", things_to_do([state], on(35)))
    assert task.what == "Look whether P03 and P06 changed places."
    assert task.evidence.endswith(
        "polypvision log same 0042 P03=P06 P06=P03 --date 2031-03-25 if they did, "
        "P03=P03 P06=P06 if not"
    )


def test_two_read_as_one_on_the_latest_photo_are_looked_at() -> None:
    apart = [make_polyp(1, 30, 30, 16.0), make_polyp(2, 48, 30, 16.0)]
    more = [make_polyp(n, x, 90, 20.0) for n, x in ((3, 30), (4, 80), (5, 130))]
    one = make_polyp(1, 39, 30, 22.6, stretch=2.2)
    together = [make_reading(0, [*apart, *more]), make_reading(3, [one, *more])]
    (task,) = of("joined", things_to_do([state_of(together)], on(3)))
    assert task.what == "Look at P01 and P02: they were read as one."
    assert "they touch and were read as one" in task.why
    apart_again = [*together, make_reading(7, [*apart, *more])]
    assert of("joined", things_to_do([state_of(apart_again)], on(7))) == []
