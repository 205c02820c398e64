"""A lens profile from photos to use, and heights and water said on the command line."""

import json
from pathlib import Path

import numpy as np
import pytest
from board_shots import as_jpeg, shots
from photo_makers import card_photo
from PIL import Image
from run_command import Run


@pytest.fixture(scope="module")
def board_photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("board")
    for number, rgb in enumerate(shots(8, seed=2)):
        (folder / f"{number}.jpg").write_bytes(as_jpeg(rgb))
    (folder / "empty.jpg").write_bytes(as_jpeg(np.full((900, 1200, 3), 90, np.uint8)))
    return folder


def card_jpeg(tmp_path: Path, **camera: object) -> Path:
    rgb = card_photo(42)[:900]
    page = np.full((900, 1200, 3), 90, np.uint8)
    page[: rgb.shape[0], : rgb.shape[1]] = rgb[:, :1200]
    path = tmp_path / "2024-03-04.jpg"
    path.write_bytes(as_jpeg(page, **camera))  # type: ignore[arg-type]
    return path


def read(run: Run, tmp_path: Path, photo: Path, *words: object) -> dict[str, object]:
    out = tmp_path / "out.json"
    done = run("read", photo, "--json", out, *words)
    assert done.status == 0, done.err
    [record] = json.loads(out.read_text(encoding="utf-8"))
    assert isinstance(record, dict)
    return record


def test_board_lens_and_reading_belong_together(
    run: Run, tmp_path: Path, board_photos: Path
) -> None:
    drawn = run("card", "--kind", "board", "--out", tmp_path / "board.pdf")
    assert drawn.status == 0
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF")

    photo = card_jpeg(tmp_path)
    before = read(run, tmp_path, photo)
    assert before["sight"] is None

    done = run("lens", board_photos)
    assert done.status == 0, done.err
    assert "Example Q1 5 mm: focal length 11" in done.out
    assert "the board was not found" in done.out
    # Beside the logbook, where read looks for it.
    assert (tmp_path / "calibration" / "lens-example-q1-5-mm.json").exists()

    sight = read(run, tmp_path, photo)["sight"]
    assert isinstance(sight, dict)
    assert sight["focal_px"] == pytest.approx(1150, rel=0.02)
    assert sight["boundary"] == "none"

    assert "other-lens" in str(read(run, tmp_path, card_jpeg(tmp_path, model="Q2"))["flags"])
    assert "zoomed" in str(read(run, tmp_path, card_jpeg(tmp_path, zoom=2.0))["flags"])
    cropped = card_jpeg(tmp_path, exif_px=(1600, 900))
    assert "cropped" in str(read(run, tmp_path, cropped)["flags"])


def test_photos_of_two_lenses_make_no_profile(run: Run, tmp_path: Path, board_photos: Path) -> None:
    other = tmp_path / "wide.jpg"
    other.write_bytes(as_jpeg(shots(1, seed=9)[0], focal_mm=2.2))
    done = run("lens", board_photos, other)
    assert done.status == 1
    assert "differ in camera, focal length or size" in done.err
    assert not list(tmp_path.rglob("lens-*.json"))


@pytest.mark.parametrize("command", ["lens", "repeat"])
def test_a_folder_without_photos_is_told(run: Run, tmp_path: Path, command: str) -> None:
    (tmp_path / "none").mkdir()
    done = run(command, tmp_path / "none")
    assert (done.status, done.err) == (
        1, f"Error: No photo was found in {tmp_path / 'none'}. Check the name.\n",
    )  # fmt: skip


def test_photos_without_a_board_say_how_to_get_one(run: Run, tmp_path: Path) -> None:
    Image.new("RGB", (300, 200), "grey").save(tmp_path / "a.png")
    done = run("lens", tmp_path / "a.png")
    assert done.status == 1
    assert "--kind board" in done.err


def test_heights_and_water_are_in_the_record(run: Run, tmp_path: Path) -> None:
    record = read(
        run, tmp_path, card_jpeg(tmp_path), "--disc-height-mm", 8, "--water-depth-mm", 50,
        "--salinity", 30, "--temperature-c", 20,
    )  # fmt: skip
    sight = record["sight"]
    assert isinstance(sight, dict)
    assert (sight["disc_height_mm"], sight["boundary"], sight["boundary_mm"]) == (8, "surface", 58)
    # Quan and Fry 1995 at 30 per mille, 20 C, 550 nm.
    assert sight["index"] == pytest.approx(1.33985, abs=2e-4)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--disc-height-mm", 5000), "Measure it again"),
        (("--disc-height-mm", 900), "at the camera or behind"),
        (("--water-depth-mm", 100, "--salinity", 350), "Correct it"),
        (("--water-depth-mm", 100, "--port-mm", 20), "given together"),
        (("--mm-per-px", 0.1, "--disc-height-mm", 5), "leave the height and the water out"),
    ],
)
def test_what_cannot_be_is_said(
    run: Run, tmp_path: Path, words: tuple[object, ...], said: str
) -> None:
    done = run("read", card_jpeg(tmp_path), *words)
    assert done.status == 1
    assert said in done.err


def test_a_plate_keeps_its_usual_heights(run: Run, tmp_path: Path) -> None:
    photo = card_jpeg(tmp_path)
    assert run("read", photo, "--record").status == 0
    said = run("plates", "42", "--disc-height-mm", 12, "--water-depth-mm", 30)
    assert said.status == 0
    assert "1 photo was read before this was said" in said.out
    assert run("plates", "42").out.split().count("12") == 1
    record = read(run, tmp_path, photo, "--record")
    sight = record["sight"]
    assert isinstance(sight, dict)
    assert (sight["disc_height_mm"], sight["boundary_mm"]) == (12, 42)
    # Once more changes nothing; in air again, by 0.
    assert "known already" in run("read", photo, "--record").out
    assert run("read", photo, "--record", "--water-depth-mm", 0, "--disc-height-mm", 0).status == 0
    assert read(run, tmp_path, photo, "--record")["sight"] is None


def test_explain_shows_where_an_uncertainty_comes_from(run: Run) -> None:
    photo = Path(__file__).parents[2] / "sample_images" / "0017" / "2024-03-21.jpg"
    done = run("read", photo, "--explain", 2)
    assert done.status == 0
    assert "polyp 2: diameter" in done.out
    for words in ("print scale of the card", "height of the disc", "all together"):
        assert words in done.out
    assert "there is no such polyp" in run("read", photo, "--explain", 999).out
