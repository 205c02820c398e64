"""The exact truth of the invented season, followed through its eight weeks: no photo is drawn."""

from functools import cache

import numpy as np

from polypvision.growth import growth_of
from polypvision.healing import wound_courses
from polypvision.reading import PlateReading
from polypvision.render.camera import plate_to_photo
from polypvision.render.photo import RenderedPhoto, planforms
from polypvision.render.scene import Scene
from polypvision.render.season import Season, season
from polypvision.render.truth import truth_reading
from polypvision.track import PlateTracks, link_readings


@cache
def _season() -> Season:
    return season()


def _truth(scene: Scene) -> tuple[PlateReading, list[str]]:
    shapes = planforms(scene)
    camera = scene.camera
    photo = RenderedPhoto(
        rgb=np.zeros((camera.height_px, camera.width_px, 3), np.uint8),
        plate_to_photo=plate_to_photo(camera),
        shapes=shapes,
        colours_lab=((50.0, 0.0, 0.0),) * len(shapes),
    )
    return truth_reading(photo, scene, sha256=scene.photo)


@cache
def _followed(plate: str) -> tuple[PlateTracks, dict[tuple[str, int], str]]:
    """Return the tracks of a plate, and the true name of every polyp on every photo."""
    readings, true_names = [], {}
    for scene in _season().scenes:
        if f"{scene.plate:04d}" == plate:
            reading, names = _truth(scene)
            readings.append(reading)
            for polyp, name in zip(reading.polyps, names, strict=True):
                true_names[scene.photo, polyp.label] = name
    log = [entry for entry in _season().log if entry.plate == plate]
    return link_readings(readings, log=log), true_names


def _found_names(plate: str) -> dict[str, set[str]]:
    """Return the true names that each individual was given for."""
    tracks, true_names = _followed(plate)
    return {
        one.name: {true_names[seen.sha256, seen.label] for seen in one.observations}
        for one in tracks.individuals
    }


PLATES = ("0017", "0023", "0031")


def test_no_identity_is_switched() -> None:
    for plate in PLATES:
        tracks, true_names = _followed(plate)
        found = _found_names(plate)
        assert all(len(names) == 1 for names in found.values()), plate
        assert sum(len(one.observations) for one in tracks.individuals) == len(true_names)
        # Nobody has two names, but for a parent and the half that truth lets keep its name.
        divided = sum(event.kind == "divided" for event in tracks.events)
        assert len(found) == len(set(true_names.values())) + divided


def test_the_division_is_found_when_it_happened_and_was_seen_coming() -> None:
    tracks, _ = _followed("0023")
    found = _found_names("0023")
    (event,) = [one for one in tracks.events if one.kind == "divided"]
    truth = next(one for one in _season().events if one.kind == "divided")
    parent, *daughters = event.individuals
    assert found[parent] == {truth.individual}
    assert sorted(name for one in daughters for name in found[one]) == [
        truth.individual,
        f"{truth.individual}b",
    ]
    assert event.after is not None
    assert event.after <= truth.at <= event.at
    assert event.confidence > 0.8
    assert "two-mouths" in tracks.individual(parent).last.polyp.flags


def test_losses_and_sales_are_found_and_nothing_else() -> None:
    for plate in PLATES:
        tracks, _ = _followed(plate)
        found = _found_names(plate)
        true = {
            (event.individual, event.kind)
            for event in _season().events
            if event.plate == plate and event.kind in ("lost", "sold")
        }
        told = {
            (next(iter(found[one.name])), one.end)
            for one in tracks.individuals
            if one.end in ("lost", "sold")
        }
        assert told == true
        assert all(event.kind != "new" for event in tracks.events)


def test_wounds_close_or_stall_as_they_did() -> None:
    for plate in PLATES:
        tracks, _ = _followed(plate)
        found = _found_names(plate)
        lives = {life.name: life for life in _season().lives[plate]}
        log = [entry for entry in _season().log if entry.plate == plate]
        for course in wound_courses(tracks, log):
            life = lives.get(next(iter(found[course.name])))
            if life is None or tracks.individual(course.name).parents:
                continue
            if life.wound_mm2 == 0:
                assert course.status == "no wound", life
            elif life.stalled:
                assert course.status == "stalled", life
            elif life.lost_day is None:
                assert course.status == "closed", life


def test_growth_is_that_of_the_lives() -> None:
    tracks, _ = _followed("0017")
    found = _found_names("0017")
    lives = {life.name: life for life in _season().lives["0017"]}
    for course in growth_of(tracks).individuals:
        life = lives[next(iter(found[course.name]))]
        assert course.rate is not None
        # Straight growth in the truth: the slope itself is exact.
        expected = life.diameter_mm * life.growth_per_week
        assert abs(course.rate.unit_per_week - expected) < 0.02
