"""The whole road on the sample plates: every photo read, followed, and held against the truth.

The truth is exact, because the photos were painted from tables. The limits: every count exact;
diameters within 2 % or 0.5 mm; wounds within 15 % or 3 mm2, but for the last sliver of one on a
plug of its own colour; the dividing polyp flagged before it divides; no identity switched.
"""

import json
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from polypvision.evaluate import Scores, score
from polypvision.evaluate.tracks import score_tracks
from polypvision.files.log_table import read_log_table
from polypvision.files.photos import load_photo
from polypvision.healing import wound_courses
from polypvision.pipeline import read_plate
from polypvision.reading import PlateReading, to_record
from polypvision.track import PlateTracks, link_readings
from polypvision.track import to_record as tracks_record

SAMPLES = Path(__file__).parents[1] / "sample_images"
PLATES = ("0017", "0023", "0031")


@cache
def _truth() -> list[dict[str, Any]]:
    records: list[dict[str, Any]] = json.loads((SAMPLES / "truth" / "truth.json").read_text())
    return records


@cache
def _readings() -> tuple[PlateReading, ...]:
    readings = []
    for path in sorted(SAMPLES.glob("0*/*.jpg")):
        photo = load_photo(path)
        readings.append(read_plate(photo.rgb, photo.facts))
    return tuple(readings)


@cache
def _scores() -> Scores:
    return score([to_record(reading) for reading in _readings()], _truth())


@cache
def _tracks(plate: str) -> PlateTracks:
    log = [entry for entry in read_log_table(SAMPLES / "log.csv") if entry.plate == plate]
    own = [reading for reading in _readings() if reading.plate == plate]
    return link_readings(own, log=log)


def _own_names(plate: str, true_name: str) -> list[str]:
    """Return the names that polypvision gave to a polyp of the scene, a daughter's own included."""
    photos = {photo.photo: photo.sha256 for photo in _scores().photos}
    places = {
        (photos[pair.photo], pair.label)
        for pair in _scores().pairs
        if pair.name == true_name and pair.photo.startswith(plate)
    }
    return [
        one.name
        for one in _tracks(plate).individuals
        if any((seen.sha256, seen.label) in places for seen in one.observations)
    ]


def test_every_photo_of_three_plates_over_eight_weeks_is_read() -> None:
    dates: dict[str, list[date]] = {plate: [] for plate in PLATES}
    for reading in _readings():
        assert reading.plate is not None
        assert reading.taken_at is not None
        dates[reading.plate].append(reading.taken_at.date())
    for days in dates.values():
        assert len(set(days)) >= 6
        assert (max(days) - min(days)).days >= 55


def test_every_count_is_exact() -> None:
    true = {record["photo"]: record["n_polyps"] for record in _truth()}
    found = {"/".join(Path(r.facts.photo).parts[-2:]): r.n_polyps for r in _readings()}
    assert found == true
    assert all(pair.iou > 0.9 for pair in _scores().pairs)
    assert len(_scores().pairs) == sum(true.values())


def test_diameters_are_within_2_percent_or_half_a_millimetre() -> None:
    off = {
        (pair.photo, pair.name): (pair.diameter_mm, pair.diameter_true_mm)
        for pair in _scores().pairs
        if abs(pair.diameter_mm - pair.diameter_true_mm) > max(0.5, 0.02 * pair.diameter_true_mm)
    }
    assert off == {}


def test_stated_diameter_errors_are_neither_boast_nor_excuse() -> None:
    # About 68 % of true values lie within one standard uncertainty; the stated one also holds the
    # unknown print scale (0.5 %), which painted cards do not have, so more of them do here.
    ratios = [
        abs(pair.diameter_mm - pair.diameter_true_mm) / pair.diameter_mm_err
        for pair in _scores().pairs
    ]
    within_two = sum(ratio < 2 for ratio in ratios) / len(ratios)
    assert within_two > 0.93
    assert sorted(ratios)[len(ratios) // 2] > 0.1


def test_wounds_are_within_15_percent_or_3_mm2_but_one_sliver() -> None:
    # A nick of 4.0 mm2 in a quarter, no paler than the bare plug under it, reads as plug.
    off = {
        (pair.photo, pair.name): abs(pair.wound_mm2 - pair.wound_true_mm2)
        for pair in _scores().pairs
        if abs(pair.wound_mm2 - pair.wound_true_mm2) > max(3.0, 0.15 * pair.wound_true_mm2)
    }
    assert off.keys() <= {("0017/2024-03-14.jpg", "q3")}
    assert all(error < 4.0 for error in off.values())


def test_mouths_are_found_where_they_are() -> None:
    wrong = [pair for pair in _scores().pairs if pair.n_mouths != pair.n_mouths_true]
    # Those that are wrong are pieces that heal: where a mouth will form it is seen a little early.
    assert len(wrong) <= 0.04 * len(_scores().pairs)
    for pair in _scores().pairs:
        assert all(distance < 0.1 for distance in pair.mouth_distances)


@pytest.mark.parametrize("plate", PLATES)
def test_no_identity_is_switched(plate: str) -> None:
    table = pd.read_csv(SAMPLES / "truth" / "individuals.csv", dtype=str).fillna("")
    own_rows = table[(table["plate"] == plate) & (table["parent"] != "")]
    parents = {
        str(child): [str(parent)]
        for child, parent in zip(own_rows["individual"], own_rows["parent"], strict=True)
    }
    own = [record for record in _truth() if record["plate"] == plate]
    result = score_tracks(tracks_record(_tracks(plate)), _scores(), own, parents)
    assert result.switches == 0
    assert result.breaks == 0
    assert result.links.f1 == 1.0


def test_the_dividing_polyp_is_flagged_before_it_divides() -> None:
    tracks = _tracks("0023")
    [division] = [event for event in tracks.events if event.kind == "divided"]
    parent = tracks.individual(division.individuals[0])
    assert parent.name in _own_names("0023", "g1")
    flagged = [
        seen.taken_at
        for seen in parent.observations
        if any(
            polyp.label == seen.label and "two-mouths" in polyp.flags
            for photo in tracks.photos
            if photo.reading.facts.sha256 == seen.sha256
            for polyp in photo.reading.polyps
        )
    ]
    assert flagged
    assert (division.at - min(flagged)).days >= 7


def test_the_loss_is_seen_and_the_stalled_wound_named() -> None:
    tracks = _tracks("0031")
    lost = [one.name for one in tracks.individuals if one.end == "lost"]
    assert lost == _own_names("0031", "m2")
    log = [entry for entry in read_log_table(SAMPLES / "log.csv") if entry.plate == "0031"]
    stalled = [course.name for course in wound_courses(tracks, log) if course.status == "stalled"]
    assert stalled == _own_names("0031", "s1")
