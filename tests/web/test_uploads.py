"""Photos sent in pieces: whole or not at all, once, and nothing that is no photo."""

import hashlib
import json
import shutil
import sqlite3
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
import web_house
from photo_makers import card_photo, encoded, exif, huge_png
from starlette.testclient import TestClient
from web_house import DESK, PORT, House

from polypvision.plates.backup import make_backup
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.plates.restore import restore
from polypvision.plates.show import stored_photos
from polypvision.store.logbook import open_logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door
from polypvision.web.uploads import (
    MAX_PIECE_BYTES,
    MAX_UPLOAD_BYTES,
    UploadRefused,
    Uploads,
    safe_name,
)

house = web_house.house

OWN = {"origin": DESK, "accept": "application/json"}


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def begin(client: TestClient, data: bytes, name: str = "a.jpg", **said: Any) -> Any:
    body = {"sha256": sha(data), "name": name, "size": len(data), **said}
    return client.post("/photos/begin", content=json.dumps(body), headers=OWN)


def put(client: TestClient, data: bytes, offset: int, piece: bytes, name: str = "a.jpg") -> Any:
    query = {"offset": str(offset), "size": str(len(data)), "name": name}
    return client.put(f"/photos/{sha(data)}", params=query, content=piece, headers=OWN)


def wait(client: TestClient, digest: str) -> str:
    """Return what was read, once it is."""
    text = client.get(f"/photos/{digest}/progress").text
    assert '"stage": "done"' in text or '"stage": "failed"' in text
    return client.get(f"/photos/{digest}/answer").text


@pytest.fixture
def picture() -> bytes:
    rng = np.random.default_rng(3)
    return encoded(rng.integers(60, 200, (300, 400, 3)).astype(np.uint8), "JPEG")


@pytest.fixture
def card() -> bytes:
    return encoded(card_photo(41), "JPEG", exif=exif("2024:03:30 12:00:00"))


def test_a_lost_connection_goes_on_where_it_stopped(house: House, picture: bytes) -> None:
    desk = house.desk()
    half = len(picture) // 2
    assert begin(desk, picture).json()["received"] == 0
    assert put(desk, picture, 0, picture[:half]).json() == {
        "received": half,
        "size": len(picture),
        "whole": False,
    }
    # The same piece once more, as after an answer that was lost, is not added twice.
    again = put(desk, picture, 0, picture[:half])
    assert again.status_code == 409
    assert again.json()["received"] == half
    assert begin(desk, picture).json()["received"] == half
    assert put(desk, picture, half, picture[half:]).json()["whole"]
    kept = Uploads(house.folder / "desk").find(sha(picture))
    assert kept is not None
    assert kept.read_bytes() == picture


def test_an_upload_that_came_whole_is_kept_though_the_program_was_stopped(
    tmp_path: Path, picture: bytes
) -> None:
    uploads = Uploads(tmp_path)
    uploads.begin(sha(picture), "a.jpg", len(picture))
    (tmp_path / "parts" / sha(picture)).write_bytes(picture)
    kept = Uploads(tmp_path).begin(sha(picture), "a.jpg", len(picture)).path
    assert kept is not None
    assert kept.read_bytes() == picture
    damaged = bytes([picture[0] ^ 1]) + picture[1:]
    (tmp_path / "parts" / sha(damaged)).write_bytes(picture)
    with pytest.raises(UploadRefused, match="changed on its way"):
        Uploads(tmp_path).begin(sha(damaged), "b.jpg", len(picture))


def test_half_an_upload_is_no_photo(house: House, picture: bytes) -> None:
    desk = house.desk()
    begin(desk, picture)
    put(desk, picture, 0, picture[:100])
    assert Uploads(house.folder / "desk").find(sha(picture)) is None
    assert desk.get(f"/photos/{sha(picture)}/answer").status_code == 404


def test_the_same_photo_is_kept_and_recorded_once(house: House, card: bytes) -> None:
    desk = house.desk()
    begin(desk, card)
    put(desk, card, 0, card)
    assert "Plate 0041" in wait(desk, sha(card))
    assert begin(desk, card, name="other.jpg").json()["whole"]
    assert "Plate 0041" in wait(desk, sha(card))
    assert len(stored_photos(house.book, "0041")) == 1
    assert len(list((house.folder / "desk" / "photos").iterdir())) == 1


def test_bytes_that_changed_on_the_way_are_refused(house: House, picture: bytes) -> None:
    desk = house.desk()
    begin(desk, picture)
    answer = put(desk, picture, 0, bytes(len(picture)))
    assert answer.status_code == 422
    assert "Send it again" in answer.json()["words"]
    assert begin(desk, picture).json()["received"] == 0


@pytest.mark.parametrize(
    ("data", "status"),
    [(b"<html>no photo</html>", 404), (b"GIF89a" + bytes(50), 404), (huge_png(40000, 40000), 413)],
    ids=["text", "gif", "too many pixels"],
)
def test_what_is_no_photo_is_not_kept(house: House, data: bytes, status: int) -> None:
    desk = house.desk()
    begin(desk, data)
    answer = put(desk, data, 0, data)
    assert answer.status_code == status
    assert str(house.folder) not in answer.text
    assert not list((house.folder / "desk" / "parts").iterdir())


def test_too_many_bytes_are_refused(house: House, picture: bytes) -> None:
    desk = house.desk()
    assert begin(desk, picture, size=MAX_UPLOAD_BYTES + 1).status_code == 413
    assert begin(desk, picture, size=0).status_code == 422
    begin(desk, picture)
    assert put(desk, picture, 0, picture + b"more").status_code == 422
    assert put(desk, picture, 0, bytes(MAX_PIECE_BYTES + 100_000)).status_code == 413


@pytest.mark.parametrize("body", ["", "[]", '{"sha256": 1}', '{"size": "x"}'])
def test_nonsense_is_refused(house: House, body: str) -> None:
    assert house.desk().post("/photos/begin", content=body, headers=OWN).status_code == 400


@pytest.mark.parametrize("digest", ["../../x", "A" * 64, "0" * 63, "0" * 64 + "\n"])
def test_a_hash_is_no_path(tmp_path: Path, digest: str) -> None:
    uploads = Uploads(tmp_path)
    with pytest.raises(Exception, match="SHA-256"):
        uploads.begin(digest, "a.jpg", 10)
    assert uploads.find(digest) is None


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "..\\..\\x.jpg", "<img src=x>.png", "", ".", "a\0b.jpg", "x" * 900]
)
def test_a_name_is_made_safe(name: str) -> None:
    safe = safe_name(name)
    assert "/" not in safe
    assert not set(safe) & set('<>"\\\0')
    assert not safe.startswith(".")
    assert 1 < len(safe) <= 90
    assert safe_name("plate 7, 2024-03-30.HEIC").endswith("2024-03-30.HEIC")


def without_card(seed: int) -> bytes:
    """Return the file of a photo of nothing, dated."""
    rgb = np.random.default_rng(seed).integers(60, 90, (600, 800, 3)).astype(np.uint8)
    return encoded(rgb, "JPEG", exif=exif("2024:03:30 12:00:00"))


def test_a_photo_without_a_card_gets_a_scale_from_two_points(house: House) -> None:
    data = without_card(5)
    desk = house.desk()
    begin(desk, data)
    put(desk, data, 0, data)
    text = wait(desk, sha(data))
    assert "No card was found" in text
    assert f"/photos/{sha(data)}/scale" in text
    assert desk.get(f"/photos/{sha(data)}/scale").status_code == 200
    # Half of 800 px are 40 mm apart: 0.1 mm per px.
    form = {"x1": "0.25", "y1": "0.5", "x2": "0.75", "y2": "0.5", "mm": "40", "plate": "tray 1"}
    for wrong in ({"mm": "0"}, {"x1": "nan"}, {"x1": "0.75"}, {"plate": " "}):
        answer = desk.post(f"/photos/{sha(data)}/scale", data=form | wrong, headers=OWN)
        assert answer.status_code == 400
    right = desk.post(f"/photos/{sha(data)}/scale", data=form, headers={"origin": DESK})
    assert right.status_code == 303
    assert "Plate tray 1" in wait(desk, sha(data))
    stored = stored_photos(house.book, "tray 1")[0]
    assert stored.settings["mm_per_px"] == pytest.approx(0.1)


def test_after_a_restore_a_refused_photo_still_gets_its_scale(house: House, tmp_path: Path) -> None:
    """A restored logbook knows where its photos lie; the folder of those sent in stays behind."""
    data = without_card(6)
    desk = house.desk()
    begin(desk, data)
    put(desk, data, 0, data)
    assert "No card was found" in wait(desk, sha(data))
    make_backup(house.book, tmp_path / "stick", photos=True)
    place = tmp_path / "new" / "book.sqlite"
    restore(tmp_path / "stick", place, photos=tmp_path / "new" / "photos")
    shutil.rmtree(house.folder / "desk")
    with open_logbook(place) as book:
        guarded, _ = make_app(book, tmp_path / "new desk", Door(port=PORT))
        here = TestClient(
            guarded, base_url=DESK, client=("127.0.0.1", 50000), follow_redirects=False
        )
        assert here.get(f"/photos/{sha(data)}/scale").status_code == 200
        form = {"x1": "0.25", "y1": "0.5", "x2": "0.75", "y2": "0.5", "mm": "40", "plate": "tray 1"}
        url = f"/photos/{sha(data)}/scale"
        assert here.post(url, data=form, headers={"origin": DESK}).status_code == 303
        assert "Plate tray 1" in wait(here, sha(data))
        assert stored_photos(book, "tray 1")[0].settings["mm_per_px"] == pytest.approx(0.1)
        # One that was read is not read otherwise from here, and none that is unknown.
        for other in (stored_photos(book, "0042")[0].sha256, "0" * 64):
            answer = here.post(f"/photos/{other}/scale", data=form, headers={"origin": DESK})
            assert answer.status_code == 404
        guarded._app.state.office.queue.close()  # type: ignore[attr-defined]


def test_a_photo_without_a_date_asks_for_it(house: House) -> None:
    data = encoded(card_photo(43), "JPEG")
    desk = house.desk()
    begin(desk, data)
    put(desk, data, 0, data)
    assert 'name="date"' in wait(desk, sha(data))
    url = f"/photos/{sha(data)}/read"
    assert desk.post(url, data={"date": "2999-01-01"}, headers=OWN).status_code == 400
    assert desk.post(url, data={"date": "2024-03-30"}, headers=OWN).status_code == 303
    assert "Plate 0043" in wait(desk, sha(data))


def test_old_half_uploads_are_dropped(tmp_path: Path, picture: bytes) -> None:
    import os

    uploads = Uploads(tmp_path)
    uploads.begin(sha(picture), "a.jpg", len(picture))
    part = tmp_path / "parts" / sha(picture)
    old = time.time() - 8 * 86_400
    os.utime(part, (old, old))
    uploads.begin(sha(b"other"), "b.jpg", 5)
    assert not part.exists()


def test_a_photo_waits_for_a_logbook_that_cannot_be_written(house: House, card: bytes) -> None:
    def only_look(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA query_only = ON")

    desk = house.desk()
    sa.event.listen(house.book.engine, "connect", only_look)
    house.book.engine.dispose()
    begin(desk, card)
    assert put(desk, card, 0, card).json()["whole"]
    text = wait(desk, sha(card))
    assert "read-only" in text
    assert str(house.folder) not in text
    assert "Read it again" in text
    # It is kept, and read once that can be.
    sa.event.remove(house.book.engine, "connect", only_look)
    house.book.engine.dispose()
    again = desk.post(f"/photos/{sha(card)}/read", data={}, headers={"origin": DESK})
    assert again.status_code == 303
    assert "Plate 0041" in wait(desk, sha(card))


def test_a_file_named_with_markup_is_shown_as_it_is(house: House, picture: bytes) -> None:
    name = "<img src=x onerror=alert(1)> 2024-04-01.jpg"
    desk = house.desk()
    begin(desk, picture, name=name)
    put(desk, picture, 0, picture, name=name)
    text = wait(desk, sha(picture))
    assert "<img" not in text
    assert "2024-04-01.jpg" in text
    # One that was read from a folder keeps its name.
    place = house.folder / "photos" / "<b>2024-04-02<b>.jpg"
    place.write_bytes(encoded(card_photo(41), "JPEG"))
    read_photos([place], ReadWishes(), logbook=house.book)
    text = desk.get("/plates/0041").text + desk.get("/today").text
    assert "<b>2024-04-02" not in text
