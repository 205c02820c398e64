"""Photographs come out of Debian packages as chosen, and those held out stay out of training."""

import hashlib
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from polypvision.train import photos
from polypvision.train.closeups import photographs
from polypvision.train.closeups.photographs import PhotosMissing, grain, photo, use_photos
from polypvision.train.closeups.tools import Lamp, Noise, Picture
from polypvision.train.photos import PackageUnusable, Source, held_out, photos_in

PLAIN = Source(
    package="some-photos",
    licence="CC0-1.0",
    folder="usr/share/pictures/",
    pictures=("lake.jpg", "wall.png", "Meadow"),
)
ZIPPED = Source(
    package="some-textures",
    licence="CC0-1.0",
    folder="usr/share/game/",
    archive="art.pk3",
    pictures=("bark.png",),
)


def noisy(height: int, width: int) -> np.ndarray:
    return np.random.default_rng(3).integers(0, 256, (height, width, 3), np.uint8)


def packed(folder: Path, name: str, files: dict[str, bytes]) -> Path:
    """Return a package built by Debian's own dpkg-deb."""
    if shutil.which("dpkg-deb") is None:
        pytest.skip("dpkg-deb is not here")
    root = folder / name
    for path, data in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(data)
    (root / "DEBIAN").mkdir()
    (root / "DEBIAN" / "control").write_text(
        f"Package: {name}\nVersion: 1\nArchitecture: all\nMaintainer: a <a@example.org>\n"
        "Description: pictures\n"
    )
    out = folder / f"{name}_1_all.deb"
    subprocess.run(["dpkg-deb", "-Zxz", "-z0", "--build", str(root), str(out)], check=True)
    return out


def encoded(ending: str, pixels: np.ndarray) -> bytes:
    return bytes(cv2.imencode(ending, pixels)[1].tobytes())


def test_pictures_of_a_package(tmp_path: Path) -> None:
    package = packed(
        tmp_path,
        "some-photos",
        {
            "usr/share/pictures/lake.jpg": encoded(".jpg", noisy(1200, 1600)),
            "usr/share/pictures/wall.png": encoded(".png", noisy(300, 400)),
            "usr/share/pictures/drawing.png": encoded(".png", noisy(300, 400)),
            "usr/share/pictures/Meadow/contents/images/800x600.jpg": encoded(
                ".jpg", noisy(600, 800)
            ),
            "usr/share/pictures/Meadow/contents/images/80x60.jpg": encoded(".jpg", noisy(60, 80)),
            "usr/share/pictures/Meadow/contents/screenshot.png": encoded(".png", noisy(900, 900)),
        },
    )
    found = photos.photographs(package, PLAIN)
    shapes = {name: pixels.shape for name, pixels in found.items()}
    assert shapes == {
        "lake.jpg": (750, 1000, 3),
        "wall.png": (300, 400, 3),
        "Meadow": (600, 800, 3),
    }
    np.testing.assert_array_equal(found["wall.png"], noisy(300, 400))


def test_pictures_in_an_archive_of_a_package(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "art.pk3", "w") as art:
        art.writestr("textures/bark.png", encoded(".png", noisy(64, 64)))
        art.writestr("textures/bark.txt", b"no picture")
    data = (tmp_path / "art.pk3").read_bytes()
    package = packed(tmp_path, "some-textures", {"usr/share/game/art.pk3": data})
    found = photos.photographs(package, ZIPPED)
    assert list(found) == ["bark.png"]
    np.testing.assert_array_equal(found["bark.png"], noisy(64, 64))


def test_a_missing_picture_is_said(tmp_path: Path) -> None:
    package = packed(
        tmp_path,
        "some-photos",
        {"usr/share/pictures/wall.png": encoded(".png", noisy(30, 40))},
    )
    with pytest.raises(PackageUnusable, match=r"does not hold Meadow, lake\.jpg"):
        photos.photographs(package, PLAIN)


def test_no_package_is_said(tmp_path: Path) -> None:
    broken = tmp_path / "mate-backgrounds_1_all.deb"
    broken.write_bytes(b"<html>not found</html>")
    with pytest.raises(PackageUnusable, match="download it again"):
        photos.write_photos(tmp_path, tmp_path / "out")
    broken.unlink()
    with pytest.raises(PackageUnusable, match="apt-get download mate-backgrounds"):
        photos.write_photos(tmp_path, tmp_path / "out")


def test_truncated_package_is_said(tmp_path: Path) -> None:
    (tmp_path / "some-photos_1_all.deb").write_bytes(b"!<arch>\n" + b"debian-binary")
    with pytest.raises(PackageUnusable):
        photos.photographs(tmp_path / "some-photos_1_all.deb", PLAIN)


def test_every_picture_named_once_and_with_a_licence() -> None:
    names = [(s.package, Path(p).stem) for s in photos.SOURCES for p in s.pictures]
    assert len(names) == len(set(names))
    card = (Path(photos.__file__).parents[1] / "models" / "README.md").read_text(encoding="utf-8")
    for source in photos.SOURCES:
        assert f"| `{source.package}` |" in card
        assert source.licence.split(",")[0].split(" and")[0] in card
        row = next(line for line in card.splitlines() if f"`{source.package}`" in line)
        assert f"| {len(source.pictures)} |" in row


def test_a_quarter_is_held_out_by_name_alone() -> None:
    # FIPS 180-2, appendix B.1: SHA-256 of "abc" starts with ba7816bf, far above a quarter.
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf")
    assert not held_out("abc")
    share = np.mean([held_out(f"picture {number}.jpg") for number in range(4000)])
    assert abs(share - 0.25) < 4 * np.sqrt(0.25 * 0.75 / 4000)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Rough photographs in every colour but pure green; those held out are pure green."""
    for number in range(40):
        path = tmp_path / f"{number}.jpg"
        pixels = noisy(200, 300)
        if held_out(path.name):
            pixels[..., [0, 2]] = 0
        cv2.imwrite(str(path), pixels)
    yield tmp_path
    use_photos(None)


def blank(seed: int) -> Picture:
    rng = np.random.default_rng(seed)
    return Picture(
        light=np.zeros((120, 160, 3), np.float32),
        owner=np.zeros((120, 160), np.uint8),
        lamp=Lamp.chance(rng),
        noise=Noise(rng),
        rng=rng,
    )


def test_training_never_sees_what_is_held_out(folder: Path) -> None:
    held, others = photos_in(folder, held=True), photos_in(folder, held=False)
    assert held
    assert len(held) + len(others) == 40
    packaged = set(photographs.in_use())
    use_photos(folder)
    assert set(photographs.in_use()) - packaged == set(others)
    use_photos(None)
    assert set(photographs.in_use()) == packaged


def test_a_folder_without_photographs_is_said(tmp_path: Path) -> None:
    with pytest.raises(PhotosMissing, match=r"polypvision\.train\.photos"):
        use_photos(tmp_path)


def test_photo_and_grain_of_all_shapes(folder: Path) -> None:
    use_photos(folder)
    for seed in range(12):
        picture = blank(seed)
        light = photo(picture, (120, 160), grainy=seed % 2 == 0)
        assert light.shape == (120, 160, 3)
        assert np.isfinite(light).all()
        assert light.min() >= 0
        rough = grain(picture, (120, 160), 300.0)
        assert rough.shape == (120, 160)
        assert abs(float(rough.mean())) < 0.6
        assert 0.5 < rough.std() < 1.1
        assert np.abs(rough).max() <= 3


def test_smooth_photographs_are_no_surface(folder: Path) -> None:
    smooth = folder / "mist.jpg"
    assert not held_out(smooth.name)
    ramp = np.tile(np.linspace(60, 200, 300).astype(np.uint8)[None, :, None], (200, 1, 3))
    cv2.imwrite(str(smooth), ramp)
    use_photos(folder)
    assert smooth in photographs.in_use()
    assert smooth not in photographs.surfaces()
    assert set(photos_in(folder, held=False)) - {smooth} <= set(photographs.surfaces())
