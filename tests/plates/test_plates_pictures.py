"""Pictures for the screen: every size from one opening of the photo, however many ask for it."""

import threading
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from logbook_makers import fill
from numpy.typing import NDArray
from PIL import Image

from polypvision.plates.pictures import WIDTHS_PX, scaled_photo
from polypvision.plates.show import stored_photos
from polypvision.store.logbook import open_logbook
from polypvision.store.readings import StoredPhoto

WIDE, HIGH = 3000, 2000


@pytest.fixture
def photo(tmp_path: Path) -> Iterator[StoredPhoto]:
    with open_logbook(tmp_path / "book.sqlite", create=True) as book:
        fill(book, tmp_path)
        yield stored_photos(book, "0042")[0]


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A large photo instead; the hash each time that it is opened."""
    found: list[str] = []
    ramp = np.linspace(0, 255, WIDE)[None, :, None]

    def pixels(photo: StoredPhoto) -> NDArray[np.uint8]:
        found.append(photo.sha256)
        return np.broadcast_to(ramp, (HIGH, WIDE, 3)).astype(np.uint8)

    monkeypatch.setattr("polypvision.plates.pictures.photo_pixels", pixels)
    return found


def test_a_photo_is_opened_once_for_all_sizes(
    photo: StoredPhoto, opened: list[str], tmp_path: Path
) -> None:
    for width in WIDTHS_PX:
        with Image.open(BytesIO(scaled_photo(photo, width, tmp_path / "scaled"))) as picture:
            assert picture.size == (width, round(HIGH * width / WIDE))
            row = np.asarray(picture.convert("L"), float)[0]
            # The same ramp at every size.
            assert np.abs(row - np.linspace(0, 255, width)).max() < 4
    assert opened == [photo.sha256]


def test_several_at_once_open_it_once(
    photo: StoredPhoto, opened: list[str], tmp_path: Path
) -> None:
    got: list[bytes] = []
    threads = [
        threading.Thread(target=lambda: got.append(scaled_photo(photo, 800, tmp_path / "scaled")))
        for _ in range(4)
    ]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert opened == [photo.sha256]
    assert len(got) == 4
    assert len(set(got)) == 1


def test_a_full_disk_costs_time_only(photo: StoredPhoto, opened: list[str], tmp_path: Path) -> None:
    (tmp_path / "scaled").write_text("in the way of the folder")
    for _ in range(2):
        assert scaled_photo(photo, 400, tmp_path / "scaled")[:2] == b"\xff\xd8"
    assert len(opened) == 2
