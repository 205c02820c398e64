"""What is told over the network names no folder of the computer that polypvision runs on."""

from pathlib import Path

import pytest
import web_house
from web_house import House

from polypvision.errors import LensError, PhotoUnreadable
from polypvision.plates.show import photo_pixels, stored_photos
from polypvision.web.queue import told

house = web_house.house


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("The photo /home/keeper/my photos/a b.jpg was moved.", "The photo a b.jpg was moved."),
        ("/srv/a.jpg is empty", "a.jpg is empty"),
        ("(C:\\Users\\keeper\\x.jpg) is damaged", "(x.jpg) is damaged"),
        ("\\\\server\\rack\\x.jpg is damaged", "x.jpg is damaged"),
        ("'/srv/.hidden/x.jpg' is damaged", "'x.jpg' is damaged"),
        ("at 0.16 mm/px, 3 of 4", "at 0.16 mm/px, 3 of 4"),
    ],
)
def test_folders_are_left_out(said: str, kept: str) -> None:
    assert told(PhotoUnreadable(said)) == kept
    assert told(LensError(said)) == kept


def test_a_phone_is_not_told_where_a_moved_photo_lay(house: House) -> None:
    photo = stored_photos(house.book, "0042")[-1]
    place = Path(photo.names[0])
    place.rename(place.with_name("elsewhere.jpg"))
    with pytest.raises(PhotoUnreadable, match=str(place)):
        photo_pixels(photo)  # Whoever is at the terminal is told the whole path.
    for path in ("scaled/400.jpg", "scale", "pieces/0-0.jpg"):
        for headers in ({}, {"accept": "application/json"}):
            answer = house.phone().get(f"/photos/{photo.sha256}/{path}", headers=headers)
            assert answer.status_code == 404
            assert place.name in answer.text
            assert str(house.folder) not in answer.text
            assert house.folder.name not in answer.text
