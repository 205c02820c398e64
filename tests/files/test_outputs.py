import errno
import json
import os
import stat
import subprocess
import sys
from datetime import datetime, timedelta, timezone
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from ordinary_user import needs_permissions, ordinary_user
from photo_makers import corners_picture
from PIL import Image

from polypvision.errors import OutputError
from polypvision.files.outputs import (
    check_writable,
    json_text,
    make_folder,
    picture_bytes,
    write_bytes,
    write_text,
)

needs_dev_full = pytest.mark.skipif(
    not Path("/dev/full").exists(), reason="the device of a full disk is needed"
)


def test_written_whole_with_ordinary_permissions_and_nothing_left_over(tmp_path: Path) -> None:
    out = tmp_path / "ä out.json"
    write_text(out, "één\n")
    assert out.read_bytes() == "één\n".encode()
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(out.stat().st_mode) == 0o666 & ~mask
    assert list(tmp_path.iterdir()) == [out]


def test_a_replaced_file_keeps_its_permissions_and_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.txt", tmp_path / "link.txt"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_text(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


@needs_dev_full
def test_a_full_disk_is_told_in_words() -> None:
    with pytest.raises(OutputError, match="the disk is full"):
        write_text(Path("/dev/full"), "x" * 100_000)
    assert stat.S_ISCHR(Path("/dev/full").stat().st_mode)  # The device itself is still there.


def test_a_disk_that_fills_while_writing_leaves_the_old_file(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    out.write_text("old")
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from polypvision.errors import OutputError\n"
        "from polypvision.files.outputs import write_bytes\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        "    write_bytes(Path(sys.argv[1]), b'x' * 5000)\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(out)], capture_output=True, text=True, check=True
    )
    assert "larger than is allowed" in done.stdout
    assert out.read_text() == "old"
    assert list(tmp_path.iterdir()) == [out]


def test_a_disk_that_is_full_at_the_last_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="the disk is full"):
        write_bytes(tmp_path / "out", b"x")
    assert list(tmp_path.iterdir()) == []


@needs_permissions
def test_a_read_only_folder() -> None:
    with ordinary_user() as folder:
        folder.chmod(0o500)
        with pytest.raises(OutputError, match="permission denied"):
            write_text(folder / "a", "x")
        with pytest.raises(OutputError, match="permission denied"):
            check_writable(folder / "a")
        with pytest.raises(OutputError, match="permission denied"):
            make_folder(folder / "new")


def test_wrong_places(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for path, words in (
        (tmp_path / "none" / "a.json", "its folder does not exist"),
        (tmp_path / "file" / "a.json", "its folder is a file"),
        (tmp_path, "that is a folder"),
        (tmp_path / ("n" * 300), "the name is too long"),
    ):
        with pytest.raises(OutputError, match=words):
            write_text(path, "x")
        with pytest.raises(OutputError):
            check_writable(path)
    with pytest.raises(OutputError, match="is a file, not a folder"):
        make_folder(tmp_path / "file")


def test_a_name_as_long_as_a_file_may_have(tmp_path: Path) -> None:
    write_text(tmp_path / ("n" * 250 + ".json"), "x")


def test_checking_leaves_nothing_behind(tmp_path: Path) -> None:
    check_writable(tmp_path / "a.json")
    assert list(tmp_path.iterdir()) == []


def test_json_refuses_what_json_cannot_say() -> None:
    assert json.loads(json_text({"ä": [1.5, None]})) == {"ä": [1.5, None]}
    with pytest.raises(ValueError, match="JSON"):
        json_text(float("nan"))


def test_pictures_leave_with_their_date_and_without_their_place() -> None:
    at = datetime(2024, 3, 30, 12, 5, 6, tzinfo=timezone(timedelta(hours=-3, minutes=-30)))
    with Image.open(BytesIO(picture_bytes(corners_picture(), at))) as picture:
        tags = picture.getexif()
        assert 0x8825 not in tags  # GPSInfo (CIPA DC-008)
        assert set(tags) <= {0x0131, 0x8769}
        inner = tags.get_ifd(0x8769)
        assert inner == {0x9003: "2024:03:30 12:05:06", 0x9011: "-03:30"}
        assert np.abs(np.asarray(picture)[5, 5].astype(int) - (250, 10, 10)).max() < 20
    with Image.open(BytesIO(picture_bytes(corners_picture(), None))) as picture:
        assert not picture.getexif().get_ifd(0x8769)
