"""Many at once: some wait, none fills the memory, and who is sent away is told how long."""

import asyncio
import hashlib
import threading
from pathlib import Path

import pytest
import web_house
from photo_makers import corners_picture, encoded
from starlette.exceptions import HTTPException
from starlette.requests import Request
from web_house import DESK, House

from polypvision.errors import PolypvisionError
from polypvision.web.pairing import MAX_GUESSES_OF_ALL, Guesses
from polypvision.web.pieces import COME_AGAIN_S, Pieces
from polypvision.web.uploads import MAX_WAITING, Uploads

house = web_house.house


def request(body: bytes, never: bool = False) -> Request:
    async def receive() -> dict[str, object]:
        if never:
            await asyncio.sleep(60)
        return {"type": "http.request", "body": body, "more_body": False}

    return Request({"type": "http", "method": "PUT", "headers": []}, receive)


def test_pieces_wait_for_their_turn() -> None:
    held, most = 0, 0

    async def one(pieces: Pieces, number: int) -> bytes:
        nonlocal held, most
        async with pieces.one(request(b"%d" % number)) as piece:
            held += 1
            most = max(most, held)
            await asyncio.sleep(0.001)
            held -= 1
            return piece

    async def all_of_them() -> list[bytes]:
        pieces = Pieces(at_once=3)
        return await asyncio.gather(*(one(pieces, number) for number in range(40)))

    assert asyncio.run(all_of_them()) == [b"%d" % number for number in range(40)]
    assert most == 3


def test_who_waits_too_long_is_told_when_to_come_again(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    office = house.app._app.state.office  # type: ignore[attr-defined]
    monkeypatch.setattr(office.pieces, "_wait_s", 0.01)
    monkeypatch.setattr(office.pieces, "_places", asyncio.Semaphore(0))
    data = encoded(corners_picture(), "JPEG")
    path = f"/photos/{hashlib.sha256(data).hexdigest()}"
    own = {"origin": DESK, "accept": "application/json"}
    query = {"offset": "0", "size": str(len(data))}
    answer = house.desk().put(path, params=query, content=data, headers=own)
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == str(COME_AGAIN_S)
    assert "goes on by itself" in answer.json()["words"]


def test_a_piece_that_does_not_come_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("polypvision.web.pieces.ARRIVES_S", 0.01)

    async def two() -> tuple[int, bytes]:
        pieces = Pieces(at_once=1)
        with pytest.raises(HTTPException) as slow:
            async with pieces.one(request(b"", never=True)):
                pass
        async with pieces.one(request(b"next")) as piece:
            return slow.value.status_code, piece

    assert asyncio.run(two()) == (408, b"next")


def test_guesses_fill_no_memory() -> None:
    guesses = Guesses()
    for number in range(100_000):
        guesses.note(f"192.0.2.{number % 250}")
    assert len(guesses._wrong) <= 10 * MAX_GUESSES_OF_ALL
    assert guesses.too_many("198.51.100.1")


def test_half_uploads_without_end_are_refused(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path)
    for number in range(MAX_WAITING - 1):
        (tmp_path / "parts").mkdir(exist_ok=True)
        (tmp_path / "parts" / f"{number:064x}").touch()
    uploads.begin("a" * 64, "a.jpg", 1)
    with pytest.raises(PolypvisionError, match="Too many half uploads"):
        uploads.begin("b" * 64, "a.jpg", 1)
    assert uploads.begin("a" * 64, "a.jpg", 1).received == 0  # What has begun may go on.


def test_the_same_photo_from_many_at_once_is_kept_once(tmp_path: Path) -> None:
    uploads, data = Uploads(tmp_path), encoded(corners_picture(), "JPEG")
    digest, ended = hashlib.sha256(data).hexdigest(), []

    def send() -> None:
        now = uploads.begin(digest, "a.jpg", len(data))
        while now.path is None:
            piece = data[now.received : now.received + 500]
            try:
                now = uploads.add(digest, "a.jpg", len(data), now.received, piece)
            except PolypvisionError:
                now = uploads.begin(digest, "a.jpg", len(data))
        ended.append(now.path)

    threads = [threading.Thread(target=send) for _ in range(6)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    assert len(ended) == 6
    assert len(set(ended)) == 1
    assert ended[0].read_bytes() == data
