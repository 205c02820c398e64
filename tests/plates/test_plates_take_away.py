"""Pages, tables, outlines and pictures taken out of a logbook, as a person would find them."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from io import BytesIO
from pathlib import Path

import pandas as pd
import pytest
from logbook_makers import fill
from PIL import Image

from polypvision.errors import PlateUnknown
from polypvision.events import LogEntry
from polypvision.files.photos import load_photo
from polypvision.plates.export import export_plates
from polypvision.plates.log import note, note_table
from polypvision.plates.names import plate_name
from polypvision.plates.report import write_reports
from polypvision.plates.sheets import file_stem
from polypvision.plates.show import photo_pixels, stored_photos, tracks_of
from polypvision.reading import Refusal
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import save_photo

ON = date(2031, 6, 1)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as opened:
        yield opened


@pytest.fixture
def photos(book: Logbook, tmp_path: Path) -> list[Path]:
    return fill(book, tmp_path)


def test_a_plate_through_time(book: Logbook, photos: list[Path]) -> None:
    tracks = tracks_of(book, "0042")
    assert len(tracks.photos) == len(photos)
    assert [len(one.observations) for one in tracks.individuals] == [4, 4]
    with pytest.raises(PlateUnknown):
        tracks_of(book, "0001")


def test_pages_stand_alone_and_lead_to_each_other(
    book: Logbook, photos: list[Path], tmp_path: Path
) -> None:
    first, remarks = write_reports(book, None, tmp_path / "deep" / "pages", on=ON)
    assert remarks == []
    names = {path.name for path in first.parent.iterdir()}
    charts = ("dates", "growth", "healing", "lineage", "stages", "wounds")
    assert {"index.html", "today.html", "plate-0042.html"} <= names
    assert {f"plate-0042-{one}.{kind}" for one in charts for kind in ("png", "svg")} <= names
    assert any(name.startswith("plate-0042-strip-P") for name in names)
    assert 'href="plate-0042.html"' in first.read_text(encoding="utf-8")
    page = (first.parent / "plate-0042.html").read_text(encoding="utf-8")
    assert "green &lt;wild&gt;" in page
    assert "data:image/jpeg;base64," in page
    for outside in re.findall(r'(?:src|href)="([^"#]+)"', page):
        assert outside.startswith("data:") or (first.parent / outside).exists(), outside
    with Image.open(first.parent / "plate-0042-growth.png") as chart:
        assert chart.size[0] > 600


def test_the_same_logbook_gives_the_same_pages(
    book: Logbook, photos: list[Path], tmp_path: Path
) -> None:
    for folder in ("one", "two"):
        write_reports(book, ["0042"], tmp_path / folder, on=ON)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_a_page_without_its_photo_says_so(
    book: Logbook, photos: list[Path], tmp_path: Path
) -> None:
    photos[-1].unlink()
    first, [remark] = write_reports(book, ["0042"], tmp_path / "pages", on=ON)
    assert "was moved, deleted or changed" in remark
    page = (first.parent / "plate-0042.html").read_text(encoding="utf-8")
    assert "The plate with every polyp outlined" not in page


def test_a_changed_photo_is_not_shown_as_the_one_that_was_read(
    book: Logbook, photos: list[Path]
) -> None:
    photos[-1].write_bytes(photos[0].read_bytes())
    latest = stored_photos(book, "0042")[-1]
    with pytest.raises(Exception, match="was moved, deleted or changed"):
        photo_pixels(latest)


def test_no_photo_at_all(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(PlateUnknown, match="no photo of any plate yet"):
        write_reports(book, None, tmp_path / "pages", on=ON)
    with pytest.raises(PlateUnknown, match="no plate '7'"):
        write_reports(book, ["7"], tmp_path / "pages", on=ON)


def test_a_plate_with_notes_only_still_has_a_page(book: Logbook, tmp_path: Path) -> None:
    note(book, LogEntry(plate="0007", at=datetime(2024, 3, 1), kind="note", note="set up"))
    first, _ = write_reports(book, ["0007"], tmp_path / "pages", on=ON)
    assert (first.parent / "plate-0007.html").exists()


def test_tables_and_outlines(book: Logbook, photos: list[Path], tmp_path: Path) -> None:
    bad = Refusal(
        facts=replace(stored_photos(book, "0042")[0].outcome.facts, sha256="ff", photo="bad.jpg"),
        kind="no-card",
        message="No card.",
    )
    with book.writing() as connection:
        save_photo(connection, bad, path="/bad.jpg", settings={})
    out = tmp_path / "out"
    written, missing = export_plates(book, None, out, formats=("csv", "parquet", "coco"))
    assert missing == []
    assert sorted(path.name for path in written) == sorted(path.name for path in out.iterdir())
    rows = {name: pd.read_csv(out / f"{name}.csv") for name in
            ("photos", "polyps", "observations", "events")}  # fmt: skip
    assert {name: len(frame) for name, frame in rows.items()} == {
        "photos": 5, "polyps": 8, "observations": 8, "events": 1
    }  # fmt: skip
    assert rows["photos"]["error"].dropna().tolist() == ["no-card: No card."]
    healing = rows["observations"].query("individual == 'P01'")["closure_percent"]
    assert healing.tolist() == pytest.approx([0, 25, 50, 100])
    for name, frame in rows.items():
        assert len(pd.read_parquet(out / f"{name}.parquet")) == len(frame)
    coco = json.loads((out / "outlines.coco.json").read_text(encoding="utf-8"))
    assert (len(coco["images"]), len(coco["annotations"])) == (4, 8)
    assert coco["images"][0]["width"] == 420
    alone, _ = export_plates(book, ["0042"], out, formats=("csv",))
    assert len(alone) == 4
    assert len(pd.read_csv(out / "photos.csv")) == 4


def test_exported_pictures_fit_the_outlines_and_tell_no_place(
    book: Logbook, photos: list[Path], tmp_path: Path
) -> None:
    with Image.open(photos[0]) as original:
        assert 0x8825 in original.getexif()
    photos[1].unlink()
    out = tmp_path / "out"
    written, [missing] = export_plates(book, None, out, formats=("coco",), pictures=True)
    assert str(photos[1]) in missing
    coco = json.loads((out / "outlines.coco.json").read_text(encoding="utf-8"))
    pictures = {path.relative_to(out).as_posix() for path in written if path.suffix == ".jpg"}
    listed = {image["file_name"]: image for image in coco["images"]}
    assert len(pictures) == 3
    assert pictures < set(listed)
    for name in pictures:
        data = (out / name).read_bytes()
        with Image.open(BytesIO(data)) as picture:
            tags = picture.getexif()
            assert 0x8825 not in tags
            assert tags.get(0x0112, 1) == 1
            assert picture.size == (listed[name]["width"], listed[name]["height"])
        assert load_photo(out / name).facts.taken_at is not None


def test_plates_are_named_as_printed() -> None:
    assert [plate_name(text) for text in ("42", "0042", " 7 ", "rack 3", "12345")] == [
        "0042",
        "0042",
        "0007",
        "rack 3",
        "12345",
    ]
    assert file_stem("a/b\\c:d").startswith("plate-a_b_c_d-")
    assert file_stem("rack 3") != file_stem("rack_3")
    assert len(file_stem("n" * 300)) < 120


def test_a_table_goes_in_whole_or_not_at_all(book: Logbook, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("plate,date,kind\n7,2024-03-01,cut\n7,2024-03-02,loss\n", encoding="utf-8")
    assert note_table(book, path) == (2, 2)
    path.write_text(path.read_text() + "7,2024-03-03,sale\n", encoding="utf-8")
    assert note_table(book, path) == (3, 1)
    path.write_text(path.read_text() + "7,soon,sale\n7,2024-03-04,loss\n", encoding="utf-8")
    with pytest.raises(Exception, match="row 4"):
        note_table(book, path)
    with book.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM log_entries").scalar() == 3
