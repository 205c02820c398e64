"""Every bad photo gets its own words and status 1, and the rest of the batch is still read."""

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ordinary_user import needs_permissions, ordinary_user
from photo_makers import animated, corners_picture, encoded, huge_png, write_jpeg
from PIL import Image
from run_command import Done, Run

SCALE = ("--mm-per-px", "0.2")
NOISE = np.random.default_rng(1).integers(0, 255, (200, 200, 3)).astype(np.uint8)

BAD: dict[str, tuple[Callable[[], bytes], str, str]] = {
    "truncated.jpg": (lambda: encoded(NOISE, "JPEG")[:9000], "unreadable", "cut short"),
    "empty.jpg": (lambda: b"", "unreadable", "is empty"),
    "text.jpg": (lambda: b"buy salt and food\n" * 9, "unreadable", "is text, not a photo"),
    "moving.gif": (lambda: animated("GIF"), "unreadable", "a GIF"),
    "moving.webp": (lambda: animated("WEBP"), "unreadable", "moving picture"),
    "dot.png": (lambda: encoded(Image.new("RGB", (1, 1)), "PNG"), "too-small", "1 x 1 pixels"),
    "bomb.png": (lambda: huge_png(10_000, 10_000), "too-large", "100 megapixels"),
}
GOOD: dict[str, Callable[[], bytes]] = {
    "cmyk.jpg": lambda: encoded(Image.fromarray(corners_picture()).convert("CMYK"), "JPEG"),
    "grey16.png": lambda: encoded(np.full((96, 120), 30_000, np.uint16), "PNG"),
    "glass.png": lambda: encoded(Image.new("RGBA", (120, 96), (200, 0, 0, 90)), "PNG"),
    "heic.heic": lambda: encoded(corners_picture(), "HEIF"),
    "no exif.tiff": lambda: encoded(corners_picture(), "TIFF"),
}


def read(run: Run, out: Path, *words: object) -> tuple[Done, list[dict[str, Any]]]:
    done = run("read", *words, *SCALE, "--json", out)
    records: list[dict[str, Any]] = json.loads(out.read_text(encoding="utf-8"))
    return done, records


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def by_name(records: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {Path(record["photo"]).name: record for record in records}


@pytest.mark.parametrize("name", BAD)
def test_one_bad_photo(run: Run, tmp_path: Path, name: str) -> None:
    make, kind, words = BAD[name]
    photo = tmp_path / name
    photo.write_bytes(make())
    done, [record] = read(run, tmp_path / "out.json", photo)
    assert done.status == 1
    assert record["error"]["kind"] == kind
    assert words in record["error"]["message"]
    assert (record["photo"], record["n_polyps"], record["polyps"]) == (str(photo), 0, [])
    assert record["error"]["message"] in done.err
    assert "Traceback" not in done.err


def test_the_rest_of_the_batch_is_read(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name, (make, _, _) in BAD.items():
        (folder / name).write_bytes(make())
    for name, make_good in GOOD.items():
        (folder / name).write_bytes(make_good())
    # A GIF is taken only when named: in a folder it is no photo.
    done, records = read(run, tmp_path / "out.json", folder, folder / "moving.gif")
    assert done.status == 1
    found = by_name(records)
    assert set(found) == set(BAD) | set(GOOD)
    for name, (_, kind, _) in BAD.items():
        assert found[name]["error"]["kind"] == kind
    for name in GOOD:
        assert found[name]["error"] is None
        assert found[name]["scale"]["source"] == "given"
        assert found[name]["taken_at"] is None
    assert f"{len(BAD) + len(GOOD)} photos: {len(GOOD)} read, {len(BAD)} not read." in done.out


def test_all_good_is_status_0(run: Run, tmp_path: Path) -> None:
    for name, make in GOOD.items():
        (tmp_path / name).write_bytes(make())
    done, records = read(run, tmp_path / "out.json", tmp_path)
    assert done.status == 0
    assert len(records) == len(GOOD)
    assert done.err == ""


def test_a_photo_that_is_not_there(run: Run, tmp_path: Path) -> None:
    good = write_jpeg(tmp_path / "good.jpg")
    done, records = read(run, tmp_path / "out.json", tmp_path / "none.jpg", good)
    assert done.status == 1
    assert [bool(record["error"]) for record in records] == [True, False]
    assert records[0]["sha256"] == ""
    assert "There is no file" in done.err


def test_nothing_to_read_is_bad_usage(run: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("no photo")
    done = run("read", tmp_path, "--json", tmp_path / "out.json")
    assert done.status == 2
    assert "no photo found" in done.err
    assert not (tmp_path / "out.json").exists()


@pytest.mark.parametrize(
    "option", [("--mm-per-px", "0"), ("--mm-per-px", "-1"), ("--mm-per-px", "nan"),
               ("--mm-per-px", "wide"), ("--bar-mm", "0"), ("--normal-mouths", "0"),
               ("--date", "yesterday")],
)  # fmt: skip
def test_options_that_make_no_sense(run: Run, tmp_path: Path, option: tuple[str, str]) -> None:
    photo = write_jpeg(tmp_path / "good.jpg")
    done = run("read", photo, *option)
    assert done.status == 2
    assert option[0] in done.err


@needs_permissions
def test_folders_and_photos_that_may_not_be_read(run: Run, tmp_path: Path) -> None:
    write_jpeg(tmp_path / "warm up.jpg")
    run("read", tmp_path, *SCALE)  # Loads all code while it may still be read.
    with ordinary_user() as folder:
        (folder / "locked").mkdir()
        (folder / "locked").chmod(0)
        write_jpeg(folder / "shut.jpg").chmod(0)
        write_jpeg(folder / "good.jpg")
        done, records = read(run, folder / "out.json", folder)
    assert done.status == 1
    found = by_name(records)
    assert "cannot be listed" in found["locked"]["error"]["message"]
    assert "permission denied" in found["shut.jpg"]["error"]["message"]
    assert found["good.jpg"]["error"] is None


@needs_permissions
def test_a_read_only_folder_is_read_and_not_written_to(run: Run, tmp_path: Path) -> None:
    write_jpeg(tmp_path / "2024-03-30.jpg")
    run("read", tmp_path, *SCALE, "--plate", "x", "--record")
    with ordinary_user() as folder:
        photo = write_jpeg(folder / "good.jpg")
        before = photo.read_bytes()
        folder.chmod(0o500)
        assert run("read", folder, *SCALE).status == 0
        done = run("read", folder, *SCALE, "--json", folder / "out.json")
        assert done.status == 1
        assert "permission denied. Write to a folder of your own" in done.err
        done = run("read", folder, *SCALE, "--plate", "x", "--logbook", folder / "book.sqlite")
        assert done.status == 1
        assert "The logbook" in done.err
        assert photo.read_bytes() == before
        assert names_in(folder) == ["good.jpg"]


def test_names_of_every_script_and_length(run: Run, tmp_path: Path) -> None:
    names = ["プレート42.jpg", "пластина № 7.jpg", "Über [red]glaze[bold].jpg", "n" * 250 + ".jpg"]
    for name in names:
        write_jpeg(tmp_path / name)
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/odd\xff.jpg"))
    write_jpeg(odd)
    done, records = read(run, tmp_path / "out.json", tmp_path)
    assert done.status == 0
    assert set(by_name(records)) == {*names, "odd\\xff.jpg"}
    assert "[red]glaze[bold]" in done.out.replace("\n", "")
    done, records = read(run, tmp_path / "out.json", tmp_path / ("n" * 300 + ".jpg"))
    assert done.status == 1
    assert "cannot be read" in records[0]["error"]["message"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device of a full disk is needed")
def test_a_full_disk_while_writing(run: Run, tmp_path: Path) -> None:
    photo = write_jpeg(tmp_path / "good.jpg")
    done = run("read", photo, *SCALE, "--json", "/dev/full")
    assert done.status == 1
    assert "the disk is full. Free some space" in done.err
    assert "Traceback" not in done.err


@pytest.mark.skipif(sys.platform == "win32", reason="limits as Unix has them are needed")
def test_a_disk_that_fills_while_recording(run: Run, tmp_path: Path) -> None:
    import resource

    folder, place = tmp_path / "photos", tmp_path / "book.sqlite"
    folder.mkdir()
    record = ("read", folder, *SCALE, "--plate", "x", "--logbook", place)
    write_jpeg(folder / "2024-03-01.jpg", "2024:03:01 12:00:00")
    assert run(*record).status == 0
    write_jpeg(folder / "2024-03-02.jpg", "2024:03:02 12:00:00")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, limits[1]))
    try:
        done = run(*record)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert done.status == 1
    assert "is it full" in done.err or "disk is full" in done.err
    assert "Traceback" not in done.err
    done = run(*record)
    assert done.status == 0
    assert "1 recorded, 1 known already" in done.out


def test_a_mistyped_output_folder_is_told_before_reading(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = write_jpeg(tmp_path / "good.jpg")
    monkeypatch.setattr("polypvision.plates.read.read_photos", None)
    done = run("read", photo, *SCALE, "--json", tmp_path / "none" / "out.json")
    assert done.status == 1
    assert "its folder does not exist" in done.err


def test_a_fault_of_ours_in_one_photo_costs_only_that_photo(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from polypvision import pipeline

    real = pipeline.read_view

    def sometimes(photo: Any, view: Any, facts: Any, settings: Any) -> Any:
        if facts.photo.endswith("b.jpg"):
            raise ZeroDivisionError("by zero")
        return real(photo, view, facts, settings)

    monkeypatch.setattr(pipeline, "read_view", sometimes)
    for name in "abc":
        write_jpeg(tmp_path / f"{name}.jpg")
    done, records = read(run, tmp_path / "out.json", tmp_path)
    assert done.status == 1
    assert [record["error"] and record["error"]["kind"] for record in records] == [
        None,
        "internal",
        None,
    ]
    assert "ZeroDivisionError" in records[1]["error"]["message"]


def test_json_to_the_terminal_is_nothing_but_json(run: Run, tmp_path: Path) -> None:
    photo = write_jpeg(tmp_path / "2024-03-30.jpg")
    done = run("read", photo, *SCALE, "--json", "-")
    assert done.status == 0
    [record] = json.loads(done.out)
    assert record["taken_at"] == "2024-03-30T12:00:00"
    assert "1 photo: 1 read." in done.err
