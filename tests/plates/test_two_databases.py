"""The same logbook in a file and on a server: the same tables, pages and lists leave both."""

import threading
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
from logbook_makers import fill
from photo_makers import encoded, exif
from postgresql_server import PASSWORD, Server
from run_command import Run

from polypvision.files.log_table import read_log_table
from polypvision.plates.correct import correct_photos
from polypvision.plates.dues import today
from polypvision.plates.export import export_plates
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.reading import Refusal
from polypvision.store.corrections import add_correction, corrections_of
from polypvision.store.entries import add_entry, entries_of
from polypvision.store.facts import facts_of, plate_names, set_facts
from polypvision.store.logbook import Logbook, open_logbook
from polypvision.store.readings import photos_of, refused_photos, save_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture
def address(server: Server, filled_template: str) -> str:
    return server.address(server.new_database(filled_template))


def copy(source: Logbook, target: Logbook) -> None:
    """Write all that one logbook holds into another, as recording and correcting do."""
    with source.reading() as held, target.writing() as connection:
        found = [one for plate in plate_names(held) for one in photos_of(held, plate)]
        # Not in the order in which they were recorded: tables have an order of their own.
        for photo in [*reversed(found), *refused_photos(held)]:
            for path in photo.names:
                save_photo(
                    connection, photo.outcome, path=path, settings=photo.settings,
                    size_px=photo.size_px, date_source=photo.date_source,
                )  # fmt: skip
            for one in corrections_of(held, photo.sha256):
                add_correction(connection, photo.sha256, one)
        for plate in plate_names(held):
            set_facts(connection, facts_of(held, plate))
            for entry in entries_of(held, plate):
                add_entry(connection, entry)


def test_the_sample_plates_leave_the_same_tables(tmp_path: Path, address: str) -> None:
    photos = sorted((SAMPLES / "0017").glob("*.jpg"))[:2] + sorted(SAMPLES.glob("0023/*.jpg"))[:1]
    with (
        open_logbook(tmp_path / "own.sqlite", create=True) as file,
        open_logbook(address) as server,
    ):
        read_photos(photos, ReadWishes(), logbook=file)
        for entry in read_log_table(SAMPLES / "log.csv"):
            file.write(lambda connection: add_entry(connection, entry))  # noqa: B023
        correct_photos(
            file, [{"photo": photos[1].name, "kind": "delete", "label": 2}], author="Ada"
        )
        with file.reading() as connection:
            [first, *_] = photos_of(connection, "0017")
        facts = replace(first.outcome.facts, sha256="e" * 64, photo='größer, "x".jpg')
        refusal = Refusal(facts=facts, kind="no-card", message="No card, sorry.")
        with file.writing() as connection:
            save_photo(connection, refusal, path="/x", settings={})
        copy(file, server)
        for book, name in ((file, "file"), (server, "server")):
            export_plates(book, None, tmp_path / name, formats=["csv", "parquet", "coco"])
        written = sorted(path.name for path in (tmp_path / "file").iterdir())
        assert len(written) == 10
        for name in written:
            own, other = (tmp_path / where / name for where in ("file", "server"))
            assert own.read_bytes() == other.read_bytes(), name
        assert b"gr\xc3\xb6\xc3\x9fer" in (tmp_path / "server" / "photos.csv").read_bytes()
        assert today(file, date(2024, 4, 30)) == today(server, date(2024, 4, 30))


def test_names_are_in_the_same_order_on_both(tmp_path: Path, address: str) -> None:
    """By code point, as neither a dictionary nor most servers would."""
    names = ["rack 10", "Rack 2", "rack-3", "ähnlich", "_x", "0041", "zoanthid"]
    with open_logbook(tmp_path / "b", create=True) as file, open_logbook(address) as server:
        for book in (file, server):
            fill(book, tmp_path)
            with book.writing() as connection:
                for name in names:
                    set_facts(connection, replace(facts_of(connection, "0042"), plate=name))
            with book.reading() as connection:
                assert plate_names(connection) == sorted([*names, "0042"])


def test_photos_read_while_the_server_restarts_are_all_recorded_once(
    run: Run, tmp_path: Path, server: Server, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    rng = np.random.default_rng(0)
    for day in range(1, 9):
        noise = rng.integers(0, 255, (150, 200, 3)).astype(np.uint8)
        data = encoded(noise, "PNG", exif=exif(f"2024:03:{day:02d} 12:00:00"))
        (folder / f"{day:02d}.png").write_bytes(data)
    words = ("--mm-per-px", "0.2", "--plate", "rack 3")
    assert run("read", folder, *words, "--logbook", tmp_path / "own.sqlite").status == 0
    began = threading.Event()
    real = Logbook.write
    n_written = 0

    def write(book: Logbook, work: object) -> object:
        nonlocal n_written
        n_written += 1
        if n_written in (3, 6):
            began.set()
        return real(book, work)  # type: ignore[arg-type]

    def restart() -> None:
        for how in ("immediate", "fast"):
            began.wait(60)
            began.clear()
            server.stop(how)
            server.start()

    restarts = threading.Thread(target=restart)
    restarts.start()
    monkeypatch.setattr(Logbook, "write", write)
    # As the environment names it, so that the address is not on the command line.
    monkeypatch.setenv("POLYPVISION_LOGBOOK", address)
    done = run("read", "--record", folder, *words)
    began.set()
    restarts.join()
    assert (done.status, "8 photos: 8 recorded." in done.out) == (0, True), done.err
    assert PASSWORD not in done.out + done.err
    monkeypatch.undo()
    for place, out in ((str(tmp_path / "own.sqlite"), "file"), (address, "server")):
        assert run("export", "--format", "csv", "--out", tmp_path / out,
                   "--logbook", place).status == 0  # fmt: skip
    for own in (tmp_path / "file").iterdir():
        assert own.read_bytes() == (tmp_path / "server" / own.name).read_bytes()
    assert len((tmp_path / "server" / "photos.csv").read_text().splitlines()) == 9
    assert datetime(2024, 3, 8, 12).isoformat() in (tmp_path / "server/photos.csv").read_text()
