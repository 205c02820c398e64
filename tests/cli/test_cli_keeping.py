"""What is recorded, written down, followed, shown and taken away, from the terminal."""

import json
import re
from pathlib import Path

import pytest
from logbook_makers import fill
from photo_makers import write_jpeg
from PIL import Image
from run_command import Run

from polypvision.store.entries import entries_of
from polypvision.store.logbook import open_logbook


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A filled logbook where the command looks for it by itself."""
    place = tmp_path / "own.sqlite"
    with open_logbook(place, create=True) as opened:
        fill(opened, tmp_path)
    return place


@pytest.mark.parametrize(
    "words",
    [("plates",), ("track", "42"), ("report", "--all", "--out", "x"), ("export", "--out", "x")],
)
def test_without_a_logbook_one_is_told_how_to_begin(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run(*words)
    assert done.status == 1
    assert "There is no logbook at" in done.err
    assert "polypvision read --record" in done.err
    assert list(tmp_path.iterdir()) == []


def test_plates_are_listed_and_described(run: Run, book: Path) -> None:
    done = run("plates")
    assert done.status == 0
    for word in ("0042", "green <wild>", "2024-03-01", "2024-03-29"):
        assert word in done.out
    done = run("plates", 42, "--normal-mouths", 3, "--bar-mm", 74.6, "--note", "left [rack]")
    assert done.status == 0
    assert "4 photos were read before this was said" in done.out
    for word in ("74.6", "left [rack]", "green <wild>", "cut"):
        assert word in done.out
    assert run("plates", "--line", "x").status == 2
    done = run("plates", 9)
    assert done.status == 1
    assert "no plate '0009'. It has: 0042" in done.err


def test_a_plate_can_be_described_before_its_first_photo(run: Run, tmp_path: Path) -> None:
    assert run("plates", "7", "--line", "blue").status == 0
    assert "0007" in run("plates").out


def test_everything_that_happens_can_be_written_down(run: Run, tmp_path: Path) -> None:
    place = tmp_path / "other.sqlite"
    here = ("--logbook", place)
    assert run("log", "cut", 42, "--method", "quarters", "--pieces", 4, "--donor", "tank 2",
               "--dip", "label dose, 1 min", "--date", "2024-03-01", *here).status == 0  # fmt: skip
    assert run("log", "loss", 42, "--individual", "P03", "--date", "2024-03-05", *here).status == 0
    sale = run("log", "sale", 42, "--pieces", 2, "--date", "2024-03-06T18:00+10:00", *here)
    assert "Wrote down: plate 0042, 2024-03-06 18:00, sale." in sale.out
    assert (
        run("log", "division", 42, "--individual", "P01", "--date", "2024-03-07", *here).status == 0
    )
    assert run("log", "note", 42, "moved to the left", *here).status == 0
    with open_logbook(place) as opened, opened.reading() as connection:
        cut, loss, sold, division, note = entries_of(connection, "0042")
    assert (cut.method, cut.pieces, cut.donor, cut.dip) == (
        "quarters",
        4,
        "tank 2",
        "label dose, 1 min",
    )
    assert (loss.individual, sold.pieces, division.individual) == ("P03", 2, "P01")
    assert note.note == "moved to the left"
    assert note.at.tzinfo is not None
    for words in (("cut", 42, "--method", "saw"), ("cut", 42, "--date", "soon"), ("loss",),
                  ("cut", 42, "--pieces", 0)):  # fmt: skip
        assert run("log", *words, *here).status == 2


def test_a_cut_comes_with_its_cautions(run: Run) -> None:
    text = " ".join(re.sub("[│╭╮╰╯─]", " ", run("log", "cut", "--help").out).split())
    for word in ("gloves", "palytoxin", "mains", "label", "local rules"):
        assert word in text


def test_a_log_table_is_taken_over_once(run: Run, tmp_path: Path) -> None:
    table = tmp_path / "log.csv"
    table.write_text("plate,date,kind\n7,2024-03-01,cut\n", encoding="utf-8")
    assert "1 line in" in run("log", "import", table).out
    done = run("log", "import", table)
    assert (done.status, "0 of them new" in done.out) == (0, True)
    table.write_text("plate,date,kind\n7,2024-03-01,eaten\n", encoding="utf-8")
    done = run("log", "import", table)
    assert done.status == 1
    assert "row 1: unknown kind 'eaten'" in done.err


def test_a_plate_is_followed(run: Run, book: Path, tmp_path: Path) -> None:
    done = run("track", "42", "--json", tmp_path / "tracks.json")
    assert done.status == 0
    assert "2 polyps on 4 photos" in done.out
    record = json.loads((tmp_path / "tracks.json").read_text(encoding="utf-8"))
    assert record["plate"] == "0042"
    assert [one["name"] for one in record["individuals"]] == ["P01", "P02"]
    assert [len(one["observations"]) for one in record["individuals"]] == [4, 4]
    assert {"parents", "end"} <= set(record["individuals"][0])
    assert isinstance(record["events"], list)
    healing = record["individuals"][0]
    closed = [one["closure_percent"] for one in healing["observations"]]
    # From 20 mm2 down in a straight line to nothing, over four photos at days 0, 7, 14, 28.
    assert closed == [0.0, 25.0, 50.0, 100.0]
    assert healing["wound"]["status"] == "closed"
    assert healing["wound"]["cut_at"] == "2024-03-01T08:00:00+00:00"
    assert record["individuals"][1]["wound"]["status"] == "no wound"
    assert json.loads(run("track", "42", "--json", "-").out) == record
    assert run("track", "9").status == 1


def test_pages_are_written_and_named(run: Run, book: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    done = run("report", "42", "--out", out)
    assert done.status == 0
    assert done.out.splitlines()[-1] == f"Open in a browser: {out / 'index.html'}"
    assert (out / "plate-0042.html").exists()
    assert run("report", "--all", "--out", out).status == 0
    assert run("report", "--out", out).status == 2
    assert run("report", "42", "--all", "--out", out).status == 2
    done = run("report", "9", "--out", out)
    assert done.status == 1
    assert "no plate '0009'" in done.err
    done = run("report", "42", "--out", book)
    assert done.status == 1
    assert "is a file, not a folder" in done.err


def test_one_command_reads_records_and_shows(run: Run, tmp_path: Path) -> None:
    folder, pages = tmp_path / "photos", tmp_path / "pages"
    folder.mkdir()
    for day in (1, 8):
        write_jpeg(folder / f"{day}.jpg", f"2024:03:{day:02d} 12:00:00")
    words = ("read", folder, "--mm-per-px", "0.2", "--plate", "rack 3", "--report", pages)
    done = run(*words)
    assert done.status == 0
    assert "2 photos: 2 recorded." in done.out
    first = Path(done.out.splitlines()[-1].removeprefix("Open in a browser: "))
    assert first == pages / "index.html"
    assert "rack 3" in first.read_text(encoding="utf-8")
    done = run(*words)
    assert (done.status, "2 photos: 2 known already." in done.out) == (0, True)
    assert run(*words, "--no-record").status == 2


def test_reading_alone_touches_no_logbook(run: Run, tmp_path: Path) -> None:
    photo = write_jpeg(tmp_path / "a.jpg")
    done = run("read", photo, "--mm-per-px", "0.2")
    assert done.status == 0
    assert "Nothing was recorded; add --record" in done.out
    assert list(tmp_path.iterdir()) == [photo]
    done = run("read", photo, "--mm-per-px", "0.2", "--plate", "x", "--record")
    assert done.status == 1
    assert "[no-date]" in done.err
    ahead = write_jpeg(tmp_path / "b.jpg", "2080:01:01 00:00:00")
    done = run("read", ahead, "--mm-per-px", "0.2", "--plate", "x", "--record")
    assert done.status == 1
    assert "[doubtful-date]" in done.err
    assert "in the future" in done.err


def test_tables_are_written_and_named(run: Run, book: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    done = run("export", "--out", out)
    assert done.status == 0
    assert sorted(map(Path, done.out.splitlines())) == sorted(out.iterdir())
    assert len(list(out.iterdir())) == 9
    done = run("export", "42", "--out", tmp_path / "few", "--format", "csv", "--format", "coco")
    assert sorted(p.suffix for p in (tmp_path / "few").iterdir()) == [".csv"] * 4 + [".json"]
    assert run("export", "--out", out, "--format", "xls").status == 2
    done = run("export", "--out", tmp_path / "all", "--format", "coco", "--pictures")
    assert done.status == 0
    assert len(list((tmp_path / "all" / "pictures").iterdir())) == 4


def test_cards_are_drawn_in_every_form(run: Run, tmp_path: Path) -> None:
    pdf, png, svg = (tmp_path / f"card.{suffix}" for suffix in ("pdf", "png", "svg"))
    done = run("card", "--out", pdf, "--code", "41-48")
    assert done.status == 0
    assert "8 cards on 1 page (210 x 297 mm)" in done.out
    # ISO 216 A4 in points of 1/72 inch.
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf.read_bytes())
    assert box is not None
    assert [float(side) / 72 * 25.4 for side in box.groups()] == pytest.approx([210, 297], abs=0.01)
    assert run("card", "--out", png, "--code", 7, "--dpi", 254).status == 0
    with Image.open(png) as picture:
        # ISO/IEC 7810 ID-1 is 85.60 x 53.98 mm; 254 dots per inch are 10 per mm.
        assert picture.size == pytest.approx((856, 540), abs=1)
    assert run("card", "--out", svg, "--kind", "a5", "--code", "9999").status == 0
    assert svg.read_bytes().startswith(b"<?xml")
    before = pdf.read_bytes()
    assert run("card", "--out", pdf, "--code", "41-48").status == 0
    assert pdf.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [("--code", "0"), ("--code", "10000"), ("--code", "9-3"), ("--code", "x"), ("--code", ""),
     ("--out", "card.doc"), ("--kind", "a3"), ("--code", "1-20", "--out", "card.png"),
     ("--kind", "a4", "--copies", "2"), ("--copies", "4")],
)  # fmt: skip
def test_cards_that_cannot_be_drawn(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("card", *words).status == 2
    assert list(tmp_path.iterdir()) == []


def test_readings_are_scored_against_truth(run: Run, tmp_path: Path) -> None:
    from time_builders import make_polyp, make_reading

    from polypvision.reading import to_record

    truth, found = tmp_path / "truth.json", tmp_path / "readings.json"
    polyps = [make_polyp(1, 20, 20, 15.0), make_polyp(2, 50, 20, 18.0)]
    truth.write_text(json.dumps([to_record(make_reading(0, polyps))]), encoding="utf-8")
    found.write_text(json.dumps([to_record(make_reading(0, polyps[:1]))]), encoding="utf-8")
    done = run("evaluate", found, truth, "--json", tmp_path / "scores.json")
    assert done.status == 0
    assert "recall 0.500" in done.out
    scores = json.loads((tmp_path / "scores.json").read_text(encoding="utf-8"))
    assert (scores["all"]["polyps"]["tp"], scores["all"]["polyps"]["fn"]) == (1, 1)
    found.write_text('{"no": "list"}', encoding="utf-8")
    done = run("evaluate", found, truth)
    assert done.status == 1
    assert "is not a list of photos" in done.err
    assert run("evaluate", tmp_path / "none", truth).status == 1


def test_evaluate_foretells_made_up_plates(run: Run, tmp_path: Path) -> None:
    done = run("evaluate", "--forecasts", "4", "--json", tmp_path / "scores.json")
    assert done.status == 0, done.err
    assert [line.split()[0] for line in done.out.splitlines()] == ["closure", "size", "growth"]
    scores = json.loads((tmp_path / "scores.json").read_text())
    assert set(scores) == {"closure", "size", "rate"}
    assert run("evaluate").status == 2
    assert run("evaluate", "a.json", "b.json", "--forecasts", "4").status == 2


def test_something_is_forgotten_and_brought_back(run: Run, book: Path) -> None:
    assert "Nothing is forgotten." in run("forget").out
    assert "--undo brings it back" in run("forget", "photo 7.jpg").out
    assert run("plates").out.split()[-4:] == ["3", "2024-03-01", "2024-03-29", "1"]
    listed = run("forget").out
    assert all(word in listed for word in ("photo 7.jpg (2024-03-08)", "days"))
    assert "Brought back." in run("forget", "photo 7.jpg", "--undo").out
    assert run("forget", "--entry", 1).status == 0
    assert run("forget", "--plate", 42).status == 0
    assert "No plate is recorded yet" in run("plates").out
    assert "Nothing was forgotten 30 days ago" in run("forget", "--purge").out
    assert run("forget", "--plate", 42, "--entry", 1, "--undo").status == 0
    assert "cut" in run("plates", 42).out
    assert run("forget", "--undo").status == 2
    assert run("forget", "--purge", "x.jpg").status == 2
    done = run("forget", "none.jpg")
    assert (done.status, "No photo 'none.jpg' is recorded" in done.err) == (1, True)
