from datetime import datetime, timedelta

import numpy as np
from time_builders import START, make_polyp, make_reading

from polypvision.columns import EVENTS, OBSERVATIONS
from polypvision.events import LogEntry
from polypvision.healing import wound_courses
from polypvision.reports import events_table, observations_table
from polypvision.track import link_readings


def test_observations_have_one_row_per_sighting() -> None:
    readings = [
        make_reading(0, [make_polyp(1, 50, 50, wound_mm2=40), make_polyp(2, 90, 50)]),
        make_reading(7, [make_polyp(1, 50, 50, wound_mm2=30)]),
    ]
    tracks = link_readings(readings)
    frame = observations_table(tracks, wound_courses(tracks))
    assert list(frame.columns) == [column.name for column in OBSERVATIONS]
    assert frame["individual"].tolist() == ["P01", "P01", "P02"]
    assert frame["photo"].tolist() == [readings[n].facts.photo for n in (0, 1, 0)]
    assert frame["closure_percent"].tolist()[:2] == [0.0, 25.0]
    assert np.isnan(frame["closure_percent"][2])
    assert frame["diameter_mm"].tolist() == [20.0, 20.0, 20.0]
    assert frame["n_mouths"].tolist() == [1, 1, 1]


def test_events_come_by_date_from_both_sources() -> None:
    polyp = make_polyp(1, 50, 50)
    tracks = link_readings(
        [make_reading(0, [polyp]), make_reading(7, [polyp, make_polyp(2, 90, 50, 8)])]
    )
    cut = LogEntry(plate="0042", at=START + timedelta(days=9), kind="cut", pieces=2)
    note = LogEntry(plate="0042", at=datetime(2031, 3, 1), kind="note", note="Set up.")
    frame = events_table(tracks, [cut, note])
    assert list(frame.columns) == [column.name for column in EVENTS]
    assert frame["kind"].tolist() == ["note", "new", "cut"]
    assert frame["source"].tolist() == ["log", "photos", "log"]
    assert frame["individual"][1] == "P02"
    assert frame["pieces"][2] == 2


def test_tables_of_nothing_have_their_columns() -> None:
    empty = link_readings([])
    assert list(observations_table(empty).columns) == [column.name for column in OBSERVATIONS]
    entry = LogEntry(plate="0042", at=START, kind="note")
    assert len(events_table(empty, [entry])) == 1
    assert len(events_table(empty)) == 0
