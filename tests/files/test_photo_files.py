import hashlib
import os
from datetime import datetime
from pathlib import Path

import pytest
from ordinary_user import needs_permissions, ordinary_user
from photo_makers import corners_picture, encoded, exif, write_jpeg

from polypvision.errors import PhotoTooLarge, PhotoUnreadable
from polypvision.files import photos
from polypvision.files.photos import find_photos, load_photo, read_file, shown_path


def names(paths: list[Path]) -> list[str]:
    return [path.name for path, error in find_photos(paths) if error is None]


def test_folders_are_searched_deep_sorted_and_only_for_photos(tmp_path: Path) -> None:
    (tmp_path / "b" / "deep").mkdir(parents=True)
    for name in (
        "z.jpg",
        "a.HEIC",
        "m.jpeg",
        "notes.txt",
        ".hidden.jpg",
        "b/deep/c.png",
        "b/a.webp",
    ):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / ".thumbs").mkdir()
    (tmp_path / ".thumbs" / "t.jpg").write_bytes(b"x")
    assert names([tmp_path]) == ["a.HEIC", "a.webp", "c.png", "m.jpeg", "z.jpg"]


def test_a_file_named_by_hand_is_taken_whatever_its_name(tmp_path: Path) -> None:
    odd = tmp_path / "photo.dat"
    odd.write_bytes(b"x")
    assert names([odd]) == ["photo.dat"]


def test_the_same_file_is_read_once(tmp_path: Path) -> None:
    photo = write_jpeg(tmp_path / "a.jpg")
    assert names([photo, tmp_path, tmp_path / ".." / tmp_path.name / "a.jpg"]) == ["a.jpg"]


def test_links_that_turn_in_circles_end(tmp_path: Path) -> None:
    write_jpeg(tmp_path / "a.jpg")
    (tmp_path / "round").symlink_to(tmp_path, target_is_directory=True)
    assert names([tmp_path]) == ["a.jpg"]


def test_a_linked_folder_is_searched(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "photos").mkdir()
    write_jpeg(tmp_path / "elsewhere" / "a.jpg")
    (tmp_path / "photos" / "link").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    assert names([tmp_path / "photos"]) == ["a.jpg"]


@needs_permissions
def test_a_folder_that_may_not_be_listed_is_told_and_the_rest_is_found() -> None:
    with ordinary_user() as folder:
        (folder / "locked").mkdir()
        write_jpeg(folder / "z.jpg")
        (folder / "locked").chmod(0)
        found = list(find_photos([folder]))
        direct = list(find_photos([folder / "locked"]))
    assert [path.name for path, _ in found] == ["locked", "z.jpg"]
    assert isinstance(found[0][1], PhotoUnreadable)
    assert "cannot be listed (Permission denied)" in str(found[0][1])
    assert isinstance(direct[0][1], PhotoUnreadable)


@needs_permissions
def test_a_photo_that_may_not_be_read() -> None:
    with ordinary_user() as folder:
        photo = write_jpeg(folder / "a.jpg")
        photo.chmod(0)
        with pytest.raises(PhotoUnreadable, match="permission denied"):
            read_file(photo)


@needs_permissions
def test_photos_in_a_read_only_folder_are_read_and_left_alone() -> None:
    with ordinary_user() as folder:
        photo = write_jpeg(folder / "2024-03-30.jpg")
        before = photo.read_bytes(), photo.stat().st_mtime_ns
        photo.chmod(0o400)
        folder.chmod(0o500)
        loaded = load_photo(photo)
        assert loaded.rgb.shape == (96, 120, 3)
        assert (photo.read_bytes(), photo.stat().st_mtime_ns) == before


def test_what_is_known_of_a_photo(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    tags = exif("2024:03:30 12:00:00", "+10:00", orientation=6)
    path.write_bytes(encoded(corners_picture(), "JPEG", exif=tags))
    loaded = load_photo(path)
    assert loaded.rgb.shape == (120, 96, 3)
    assert loaded.facts.photo == str(path)
    assert loaded.facts.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert loaded.facts.taken_at is not None
    assert loaded.facts.taken_at.isoformat() == "2024-03-30T12:00:00+10:00"
    assert loaded.date is not None
    assert loaded.date.source == "exif"


def test_no_date_is_no_error_while_reading(tmp_path: Path) -> None:
    path = write_jpeg(tmp_path / "a.jpg")
    assert load_photo(path).facts.taken_at is None
    given = load_photo(path, given=datetime(2024, 3, 30))
    assert given.facts.taken_at == datetime(2024, 3, 30)


def test_missing_and_odd_files(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadable, match="There is no file"):
        read_file(tmp_path / "none.jpg")
    with pytest.raises(PhotoUnreadable, match="is not a file"):
        read_file(tmp_path)
    raw = tmp_path / "a.NEF"
    raw.write_bytes(b"II*\0")
    with pytest.raises(PhotoUnreadable, match="raw file"):
        read_file(raw)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with names are needed")
def test_a_pipe_is_refused_rather_than_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(PhotoUnreadable, match="is not a file"):
        read_file(tmp_path / "pipe.jpg")


def test_a_file_too_large_for_a_photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "MAX_PHOTO_BYTES", 100)
    with pytest.raises(PhotoTooLarge, match="Is it a film"):
        read_file(write_jpeg(tmp_path / "a.jpg"))


@pytest.mark.parametrize(
    "name",
    ["Überblick Ricordea.jpg", "プレート42 2024-03-30.jpg", "пластина № 7.jpg",
     "e\u0301cran 🪸.jpg", "a'b\"c;$(d) [e].jpg", "n" * 240 + ".jpg"],
)  # fmt: skip
def test_names_of_every_script_and_length(tmp_path: Path, name: str) -> None:
    path = write_jpeg(tmp_path / name)
    assert load_photo(path).facts.photo == str(path)
    assert [found.name for found, _ in find_photos([tmp_path])] == [name]


def test_a_name_longer_than_a_file_may_have(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 300 + ".jpg")
    [(found, error)] = find_photos([path])
    assert found == path
    assert error is None
    with pytest.raises(PhotoUnreadable, match="cannot be read"):
        read_file(path)


@pytest.mark.skipif(os.name == "nt", reason="there names are always text")
def test_a_name_that_is_no_text_can_still_be_told(tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/plate\xff.jpg"))
    write_jpeg(path)
    assert load_photo(path).facts.photo == shown_path(path) == f"{tmp_path}/plate\\xff.jpg"
    shown_path(path).encode("utf-8")
