"""Corrections in the logbook: kept, told to whoever comes later, and seen everywhere."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from logbook_makers import fill
from ordinary_user import needs_permissions, ordinary_user
from pycocotools.coco import COCO
from pycocotools.mask import area
from time_builders import make_polyp

from polypvision.errors import (
    CorrectionConflict,
    CorrectionError,
    LogbookError,
    PhotoUnknown,
    PolypvisionError,
)
from polypvision.plates.correct import (
    correct_photos,
    machine_against_people,
    open_corrections,
    photo_as_it_holds,
)
from polypvision.plates.export import export_plates
from polypvision.plates.show import stored_photos, tracks_of
from polypvision.reading import PlateReading, to_record
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import find_photo, save_photo

ADD: dict[str, Any] = {"photo": "photo 7.jpg", "kind": "add", "centre_px": [60, 240],
                       "diameter_mm": 12}  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        fill(opened, tmp_path)
        yield opened


def rows(book: Logbook) -> int:
    with book.reading() as connection:
        return int(connection.exec_driver_sql("SELECT count(*) FROM corrections").scalar() or 0)


def test_a_correction_is_seen_everywhere_and_the_machine_is_kept(
    book: Logbook, tmp_path: Path
) -> None:
    before = photo_as_it_holds(book, "photo 7.jpg")
    done = correct_photos(book, [ADD], author="Ada")
    now = photo_as_it_holds(book, "photo 7.jpg")
    assert to_record(now.corrected.machine) == to_record(before.reading)
    assert now.reading.n_polyps == 3
    assert done.photos[0].reading.polyps[2].corrected_by == ("Ada",)
    assert stored_photos(book, "0042")[1].outcome.n_polyps == 3  # type: ignore[union-attr]
    assert [len(one.names) for one in tracks_of(book, "0042").photos] == [2, 3, 2, 2]
    export_plates(book, None, tmp_path / "out", formats=("csv",))
    table = pd.read_csv(tmp_path / "out" / "polyps.csv")
    assert table["corrected_by"].dropna().tolist() == ["Ada"]
    assert len(table) == 9
    correct_photos(book, [{"photo": "photo 7.jpg", "kind": "undo"}], author="Ada")
    assert photo_as_it_holds(book, "photo 7.jpg").reading.n_polyps == 2
    correct_photos(book, [{"photo": "photo 7.jpg", "kind": "redo"}], author="Ada")
    assert photo_as_it_holds(book, "photo 7.jpg").reading.n_polyps == 3


def test_two_at_once_lose_nothing_and_the_later_is_told(book: Logbook) -> None:
    seen = photo_as_it_holds(book, "photo 7.jpg").version
    photo = "photo 7.jpg"
    first = correct_photos(
        book, [{"photo": photo, "kind": "delete", "label": 1}], author="Ada", seen=seen
    )
    assert first.others == ()
    later = correct_photos(
        book,
        [{"photo": photo, "kind": "add-mouth", "label": 2, "place_px": [310, 120]},
         {"photo": photo, "kind": "add-mouth", "label": 1, "place_px": [125, 120]}],
        author="Bo",
        seen=seen,
    )  # fmt: skip
    assert [one.author for one in later.others] == ["Ada"]
    now = photo_as_it_holds(book, photo)
    assert [one.correction.author for one in now.corrected.standings] == ["Ada", "Bo", "Bo"]
    assert [one.state for one in now.corrected.standings] == ["applied", "applied", "open"]
    assert now.reading.polyps[0].n_mouths == 2
    [(_, standing)] = open_corrections(book, "0042")
    assert standing.correction.author == "Bo"


def test_two_connections_take_turns(book: Logbook, tmp_path: Path) -> None:
    with open_logbook(tmp_path / "book.sqlite") as other:
        correct_photos(book, [ADD], author="Ada")
        correct_photos(other, [{**ADD, "centre_px": [200, 240]}], author="Bo")
    now = photo_as_it_holds(book, "photo 7.jpg")
    assert [one.correction.number for one in now.corrected.standings] == [1, 2]
    with pytest.raises(LogbookError), book.writing() as connection:
        connection.exec_driver_sql("UPDATE corrections SET number = 1")


def read_again(book: Logbook, *polyps: object) -> None:
    with book.writing() as connection:
        photo = photo_as_it_holds(book, "photo 7.jpg").photo
        known = find_photo(connection, photo.sha256)
        assert known is not None
        assert isinstance(known.outcome, PlateReading)
        newer = replace(known.outcome, polyps=polyps)  # type: ignore[arg-type]
        save_photo(connection, newer, path=photo.names[0], settings=known.settings,
                   size_px=photo.size_px)  # fmt: skip


def test_reading_again_keeps_corrections(book: Logbook) -> None:
    photo = "photo 7.jpg"
    seen = photo_as_it_holds(book, photo).version
    correct_photos(
        book,
        [{"photo": photo, "kind": "add-mouth", "label": 2, "place_px": [310, 120]},
         {"photo": photo, "kind": "delete", "label": 1}],
        author="Ada",
    )  # fmt: skip
    read_again(book, make_polyp(1, 50.2, 20, 18.5))
    now = photo_as_it_holds(book, photo)
    assert now.reading.polyps[0].n_mouths == 2
    assert [one.state for one in now.corrected.standings] == ["applied", "open"]
    with pytest.raises(CorrectionConflict, match="read again since you looked"):
        correct_photos(book, [{"photo": photo, "kind": "delete", "label": 1}], author="Bo",
                       seen=seen)  # fmt: skip
    assert rows(book) == 2


def test_names_and_lineage_reach_the_tracks(book: Logbook) -> None:
    correct_photos(
        book,
        [{"photo": "photo 14.jpg", "kind": "name", "label": 1, "name": "Rust 7"},
         {"photo": "photo 14.jpg", "kind": "part", "label": 2, "as": "same"}],
        author="Ada",
    )  # fmt: skip
    tracks = tracks_of(book, "0042")
    assert [one.name for one in tracks.individuals] == ["Rust 7", "P02", "P03"]
    correct_photos(
        book,
        [{"photo": "photo 14.jpg", "kind": "join", "label": 2, "as": "same",
          "with": {"photo": "photo 7.jpg", "label": 2}}],
        author="Bo",
    )  # fmt: skip
    assert [one.name for one in tracks_of(book, "0042").individuals] == ["Rust 7", "P02"]


def test_the_corrected_set_is_valid_coco(book: Logbook, tmp_path: Path) -> None:
    photo = "photo 7.jpg"
    correct_photos(
        book,
        [ADD, {"photo": photo, "kind": "add-mouth", "label": 2, "place_px": [310, 120]},
         {"photo": photo, "kind": "paint-wound", "label": 2, "stroke_px": [[280, 110], [320, 110]],
          "radius_px": 12}],
        author="Ada",
    )  # fmt: skip
    export_plates(book, None, tmp_path / "out", formats=("coco",))
    coco = COCO(str(tmp_path / "out" / "corrected.coco.json"))
    [image] = coco.loadImgs(coco.getImgIds())
    assert (image["width"], image["height"], image["corrected_by"]) == (420, 300, ["Ada"])
    reading = photo_as_it_holds(book, photo).reading
    polyps = coco.loadAnns(coco.getAnnIds(catIds=coco.getCatIds(catNms=["polyp"])))
    assert len(polyps) == 3
    for record, polyp in zip(polyps, reading.polyps, strict=True):
        outline = np.reshape(record["segmentation"][0], (-1, 2)) - 0.5
        assert outline == pytest.approx(polyp.outline_px, abs=0.006)
        assert area(coco.annToRLE(record)) == pytest.approx(record["area"], rel=0.02)
        assert record["num_keypoints"] == polyp.n_mouths
        keypoints = np.reshape(record["keypoints"], (-1, 3))
        places = [(mouth.x_px, mouth.y_px) for mouth in polyp.mouths]
        assert keypoints[keypoints[:, 2] > 0][:, :2] - 0.5 == pytest.approx(
            np.reshape(places, (-1, 2)), abs=0.006
        )
        assert tuple(record["corrected_by"]) == polyp.corrected_by
    [wound] = coco.loadAnns(coco.getAnnIds(catIds=coco.getCatIds(catNms=["wound"])))
    assert wound["polyp_id"] == polyps[1]["id"]
    assert wound["area"] / 36 == pytest.approx(reading.polyps[1].wound_mm2, rel=0.01)


def test_the_machine_against_people(book: Logbook) -> None:
    assert machine_against_people(book).n_photos == 0
    correct_photos(book, [ADD], author="Ada")
    found = machine_against_people(book, ["0042"])
    assert (found.n_photos, found.n_machine, found.n_people) == (1, 2, 3)
    assert found.count_bias == -1


SQUARE = [[10, 10], [30, 10], [30, 30], [10, 30]]


@pytest.mark.parametrize(
    ("wish", "kind", "words"),
    [
        ({"photo": "none.jpg", "kind": "undo"}, PhotoUnknown, "No photo 'none.jpg' is recorded"),
        ({"kind": "undo"}, CorrectionError, "No photo is named"),
        ({"kind": "paint"}, CorrectionError, "Unknown kind 'paint'. Use one of add"),
        ("delete", CorrectionError, "A correction is an object"),
        ({**ADD, "size": 3}, CorrectionError, "add has no 'size'"),
        ({**ADD, "diameter_mm": -4}, CorrectionError, "diameter_mm is -4. Give a size above 0"),
        ({**ADD, "diameter_mm": "big"}, CorrectionError, "Give a number"),
        ({**ADD, "centre_px": [2, 240]}, CorrectionError, "leaves the photo at"),
        ({"kind": "delete", "label": 9}, CorrectionError, "no polyp 9. It has: 1, 2"),
        ({"kind": "delete"}, CorrectionError, "Name the polyp by"),
        ({"kind": "delete", "at": [5, 290]}, CorrectionError, "No polyp lies at x 5"),
        ({"kind": "reshape", "label": 1, "outline_px": [[10, 10], [30, 30], [30, 10], [10, 30]]},
         CorrectionError, r"crosses itself near x 20.0, y 20.0. Draw it once round"),
        ({"kind": "reshape", "label": 1, "outline_px": [[10, 10], [500, 10], [30, 30]]},
         CorrectionError, "leaves the photo at x 500.0, y 10.0; the photo is 420 x 300"),
        ({"kind": "reshape", "label": 1, "outline_px": [[10, 10], [30, 10]]}, CorrectionError,
         "at least 3"),
        ({"kind": "reshape", "label": 1, "outline_px": [[10, 10], [30, float("nan")], [1, 1]]},
         CorrectionError, "Give a number"),
        ({"kind": "split", "label": 1, "line_px": [[5, 5], [9, 5]]}, CorrectionError,
         "does not part the polyp"),
        ({"kind": "merge", "labels": [1]}, CorrectionError, "two polyps or more"),
        ({"kind": "merge", "labels": [1, 2]}, CorrectionError, "too far apart"),
        ({"kind": "add-mouth", "label": 1, "place_px": [300, 120]}, CorrectionError,
         "does not lie on polyp 1"),
        ({"kind": "delete-mouth", "label": 1, "place_px": [90, 120]}, CorrectionError,
         "has no mouth at"),
        ({"kind": "paint-wound", "label": 1, "stroke_px": [[120, 120]], "radius_px": -2},
         CorrectionError, "radius_px is -2"),
        ({"kind": "paint-wound", "label": 1, "outline_px": SQUARE}, CorrectionError,
         "does not lie on polyp 1"),
        ({"kind": "name", "label": 1, "name": "<b>"}, CorrectionError, "cannot be used"),
        ({"kind": "name", "label": 1, "name": "P03"}, CorrectionError, "given by the machine"),
        ({"kind": "part", "label": 1, "as": "cousin"}, CorrectionError, "Say \"same\""),
        ({"kind": "join", "label": 1, "as": "same", "with": {"photo": "photo 14.jpg", "label": 1}},
         CorrectionError, "not the earlier one"),
        ({"kind": "join", "label": 1, "as": "same"}, CorrectionError, "Say who it is joined to"),
        ({"kind": "withdraw", "id": "abcdef"}, CorrectionError, "no correction 'abcdef'"),
        ({"kind": "redo"}, CorrectionError, "Nothing of Ada is left to redo"),
    ],
)  # fmt: skip
def test_bad_corrections_are_refused_and_nothing_is_recorded(
    book: Logbook, wish: Any, kind: type[PolypvisionError], words: str
) -> None:
    if isinstance(wish, dict) and wish != {"kind": "undo"}:
        wish = {"photo": "photo 7.jpg", **wish}
    with pytest.raises(kind, match=r"Correction 2: .* Nothing was recorded") as caught:
        correct_photos(book, [ADD, wish], author="Ada")
    assert words.replace(r"\.", ".") in str(caught.value)
    assert rows(book) == 0


@pytest.mark.parametrize("author", ["", "  ", "a" * 81, "a\nb"])
def test_somebody_must_say_so(book: Logbook, author: str) -> None:
    with pytest.raises(CorrectionError, match="Say who corrects"):
        correct_photos(book, [ADD], author=author)


def test_a_locked_logbook(book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("polypvision.store.logbook._WAIT_S", 0.05)
    with (
        open_logbook(tmp_path / "book.sqlite") as other,
        book.writing(),
        pytest.raises(LogbookError, match="another program is writing"),
    ):
        correct_photos(other, [ADD], author="Ada")
    correct_photos(book, [ADD], author="Ada")
    assert rows(book) == 1


@needs_permissions
def test_a_read_only_logbook() -> None:
    with ordinary_user() as folder:
        with open_logbook(folder / "book.sqlite", create=True) as book:
            fill(book, folder)
        (folder / "book.sqlite").chmod(0o400)
        with (
            open_logbook(folder / "book.sqlite") as book,
            pytest.raises(LogbookError, match="read-only"),
        ):
            correct_photos(book, [ADD], author="Ada")


def test_an_older_logbook_takes_corrections(tmp_path: Path) -> None:
    place = tmp_path / "old.sqlite"
    with open_logbook(place, create=True) as old:
        fill(old, tmp_path)
        with old.writing() as connection:
            # As the first version wrote them: without plane and authors.
            for sha256, text in connection.exec_driver_sql("SELECT sha256, record FROM photos"):
                record = json.loads(text)
                del record["plate_to_photo"]
                for polyp in record["polyps"]:
                    del polyp["corrected_by"]
                connection.exec_driver_sql(
                    "UPDATE photos SET record = ? WHERE sha256 = ?", (json.dumps(record), sha256)
                )
            # Nor had its tables what later steps added.
            connection.exec_driver_sql("DROP TABLE corrections")
            connection.exec_driver_sql("DROP TABLE ticks")
            connection.exec_driver_sql("DROP TABLE plate_kept")
            for index in ("ix_photos_read", "ix_photos_refused", "ix_photo_names_path"):
                connection.exec_driver_sql(f"DROP INDEX {index}")
            for column in ("disc_height_mm", "water_depth_mm", "mark"):
                connection.exec_driver_sql(f"ALTER TABLE plates DROP COLUMN {column}")
            for table in ("plates", "photos", "log_entries"):
                connection.exec_driver_sql(f"ALTER TABLE {table} DROP COLUMN forgotten_at")
            connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0001'")
    with open_logbook(place) as book:
        assert len(stored_photos(book, "0042")) == 4
        done = correct_photos(book, [ADD], author="Ada")
        new = done.photos[0].reading.polyps[2]
        # 12 mm as given, though the plane had to be told from the outlines on record.
        assert new.diameter_mm == pytest.approx(12, abs=0.02)
        assert rows(book) == 1
