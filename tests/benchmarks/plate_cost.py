"""What reading one photo costs, against decoding it: time, stage by stage, memory, and recipes.

    python tests/benchmarks/plate_cost.py
    python tests/benchmarks/plate_cost.py FOLDER --mm-per-px 0.1
    python tests/benchmarks/plate_cost.py FOLDER TRUTH.json

Paints photos of an A5 plate and reads them from their bytes to the record in a logbook: 12
megapixels as smooth as a painting, 12 and 48 with the noise of a phone's sensor. A smooth painting
has a fifth of the bytes of a real photo and decodes in half the time; so the noise and quality are
such that the file has about `PHONE_BYTES_PER_PX`, as a phone's photo has. (The 48 megapixels are
the 12, enlarged, with noise added again.) With a folder, the bytes and decoding times of its own
photos are printed beside that, and the time of everything after the network as a part of the
network's, on each of them (scales: the truth's ``mm_per_px_assumed``, or --mm-per-px, else the
card).

Two times are given, both the least of some runs, and both with the network warm: the processor's,
and the clock's. Other work on the machine lengthens the clock's. "At best" is what the clock would
say on idle cores: the network's processor time shared by the cores, all else on one. As a machine's
pace changes, whole readings and `cv2.imdecode` are taken in turns. Alone, one decoding after the
other, it may get the memory that the last one left, and then takes two thirds of that.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import recipes
from numpy.typing import NDArray
from PIL import Image, ImageOps
from segmentation import Plate, machine, recipe_record

from polypvision import evaluate
from polypvision.calibrate.markers import find_markers
from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import PlateView
from polypvision.errors import PolypvisionError
from polypvision.files.pixels import open_photo
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.plates.read import ReadWishes, read_photos
from polypvision.reading import to_record
from polypvision.render.chance import random_scene
from polypvision.render.photo import RenderedPhoto, render_scene
from polypvision.render.truth import truth_record
from polypvision.segment.discs import segment_polyps
from polypvision.segment.maps import PlateMaps, read_maps
from polypvision.store.logbook import open_logbook

CORES = 2
MANY_SIZES = 40
LIMIT_RATIO, LIMIT_SHARE = 3.0, 1 / 3
LIMIT_MB = {12: 700.0, 48: 1300.0}
PHONE_BYTES_PER_PX = 0.28
"""Photos of 12 megapixels from phones have 3 to 5 MB (common practice, no source)."""
NOISE, QUALITY = 3.5, 95
SMOOTH_NOISE = 0.5
SHOOT = datetime(2031, 3, 4, 10, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Least seconds of a piece of work, by the processor and by the clock."""

    processor: float
    clock: float


def timed(work: Callable[[], object]) -> Cost:
    """Return what a piece of work costs this once."""
    started, ticked = time.perf_counter(), time.process_time()
    work()
    return Cost(processor=time.process_time() - ticked, clock=time.perf_counter() - started)


def least(costs: list[Cost]) -> Cost:
    """Return the least, for what else the machine does can only add (Python's manual, `timeit`)."""
    return Cost(
        processor=min(one.processor for one in costs), clock=min(one.clock for one in costs)
    )


def cost(work: Callable[[], object], times: int) -> Cost:
    """Return what a piece of work costs, once done before."""
    work()
    return least([timed(work) for _ in range(times)])


def after_network(view: PlateView, maps: PlateMaps) -> None:
    """Do all that follows the network."""
    polyp_map = segment_polyps(view, maps)
    measure_polyps(view, maps, polyp_map, find_mouths(view, maps, polyp_map))


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """A painted photo as a file's bytes, with its truth."""

    name: str
    data: bytes
    truth: dict[str, Any]

    @property
    def pixels(self) -> int:
        """How many it has."""
        with Image.open(BytesIO(self.data)) as image:
            return image.width * image.height


def painted(noise: float) -> tuple[RenderedPhoto, dict[str, Any]]:
    """Paint a photo of 12 megapixels of an A5 plate, and tell its truth."""
    scene = random_scene(
        np.random.default_rng(12), card="a5", width_px=4000, height_px=3000, n_polyps=14
    )
    scene = replace(scene, orientation=1, camera=replace(scene.camera, noise=noise))
    photo = render_scene(scene, np.random.default_rng(1))
    return photo, truth_record(photo, scene, "")


def jpeg(rgb: NDArray[np.uint8], quality: int) -> bytes:
    """Return a picture as most phones write it: colours at half the size."""
    buffer = BytesIO()
    Image.fromarray(rgb).save(buffer, format="JPEG", quality=quality, subsampling=2)
    return buffer.getvalue()


def enlarged(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a picture at twice its size, with as much noise in its pixels again."""
    twice = cv2.resize(rgb, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    large = np.asarray(twice, np.float32)
    level = float(np.median(np.abs(rgb[1:].astype(np.int16) - rgb[:-1])))
    large += np.random.default_rng(2).normal(0, level, large.shape).astype(np.float32)
    return np.clip(large, 0, 255).astype(np.uint8)


def shots() -> list[Shot]:
    """Return the photos that are measured."""
    photo, truth = painted(NOISE)
    plain, plain_truth = painted(SMOOTH_NOISE)
    phone = "a phone's noise"
    return [
        Shot(name=f"12 megapixels, {phone}", data=jpeg(photo.rgb, QUALITY), truth=truth),
        Shot(name=f"48 megapixels, {phone}", data=jpeg(enlarged(photo.rgb), QUALITY), truth={}),
        Shot(name="12 megapixels, smooth", data=jpeg(plain.rgb, 83), truth=plain_truth),
    ]


def stages(made: Shot, times: int) -> dict[str, Cost]:
    """Return what each stage costs, one by one."""
    data = np.frombuffer(made.data, np.uint8)
    found = {"cv2.imdecode, alone": cost(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), 2 * times)}
    found["decoded as finely as needed"] = cost(
        lambda: open_photo(made.data, made.name).survey(), times
    )
    picture = open_photo(made.data, made.name).survey()
    found["card found"] = card = cost(lambda: find_markers(picture.rgb), times)
    whole = cost(lambda: view_from_card(picture), times)
    view = view_from_card(picture)
    found["plate straightened and balanced"] = Cost(
        processor=whole.processor - card.processor, clock=whole.clock - card.clock
    )
    found["network"] = cost(lambda: read_maps(view), times)
    maps = read_maps(view)
    found["polyps told apart"] = cost(lambda: segment_polyps(view, read_votes(maps)), times)
    polyp_map = segment_polyps(view, maps)
    found["mouths"] = cost(lambda: find_mouths(view, maps, polyp_map), times)
    mouths = find_mouths(view, maps, polyp_map)
    found["measures"] = cost(lambda: measure_polyps(view, maps, polyp_map, mouths), times)
    return found


def read_votes(maps: PlateMaps) -> PlateMaps:
    """Return the same maps with nothing worked out from them yet."""
    return replace(maps)


def in_turns(made: Shot, times: int) -> tuple[list[Cost], list[Cost]]:
    """Return what decoding a photo and reading it into a logbook cost, in turns."""
    data = np.frombuffer(made.data, np.uint8)
    wishes = ReadWishes(date=SHOOT, trust_dates=True)
    decoding, whole = [], []
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "photo.jpg"
        with open_logbook(str(path.with_suffix(".db")), create=True) as logbook:
            for one in range(times + 1):
                # What follows a JPEG's end is no part of the picture, but makes another file of it.
                path.write_bytes(made.data + bytes([one]))
                decoding.append(timed(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR)))
                whole.append(timed(lambda: read_photos([path], wishes, logbook=logbook)))
    return decoding[1:], whole[1:]


def print_stages(made: Shot, times: int) -> None:
    """Print a photo's stages, each against decoding."""
    found = stages(made, times)
    decodings, wholes = in_turns(made, 3 * times)
    alone, decoding, whole = found["cv2.imdecode, alone"], least(decodings), least(wholes)
    found |= {"cv2.imdecode, in turns": decoding, "bytes to record": whole}
    size = len(made.data) / made.pixels
    print(f"\n{made.name}: {size:.2f} bytes a pixel, ", end="")
    print(f"{1e9 * decoding.processor / made.pixels:.1f} ms a megapixel to decode\n")
    print("| what | processor ms | by the clock ms | of imdecode, processor |\n|---|---|---|---|")
    for name, took in found.items():
        print(
            f"| {name} | {1000 * took.processor:.0f} | {1000 * took.clock:.0f} "
            f"| {took.processor / decoding.processor:.2f} |"
        )
    network = found["network"]
    typical = np.median([[one.clock for one in some] for some in (wholes, decodings)], axis=1)
    best = whole.processor - network.processor * (1 - 1 / CORES)
    print(
        f"\nbytes to record at best {best / decoding.processor:.2f} times imdecode in turns (limit "
        f"{LIMIT_RATIO}), {best / alone.processor:.2f} alone; by the clock now "
        f"{whole.clock / decoding.clock:.2f} and {whole.clock / alone.clock:.2f}; medians of "
        f"{len(wholes)} in turns {typical[0] / typical[1]:.2f}"
    )
    rest = sum(found[name].processor for name in ("polyps told apart", "mouths", "measures"))
    print(f"what follows the network: {rest / (network.processor / CORES):.2f} of its time")


def print_recipes(made: Shot) -> None:
    """Print what library recipes take and find on the same photo, on the same view."""
    picture = open_photo(made.data, made.name).survey()
    view = view_from_card(picture)
    plate = Plate(name=made.truth["photo"], rgb=picture.rgb, mm_per_px=None, truth=made.truth)
    ways: dict[str, tuple[Cost, dict[str, Any]]] = {}
    for name, recipe in recipes.RECIPES.items():

        def work(recipe: Callable[..., recipes.Outlines] = recipe, name: str = name) -> Any:
            return recipe(view.rgb, view.valid, view.px_per_mm, **recipes.SETTINGS[name])

        ways[name] = cost(work, 2), recipe_record(plate, view, work())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        path.write_bytes(made.data)
        record = to_record(read_photos([path])[0].outcome)

    def ours() -> None:
        after_network(view, read_maps(view))

    ways["polypvision"] = cost(ours, 2), {**record, "photo": made.truth["photo"]}
    print(f"\n{made.name}, from the view on\n")
    print("| way | processor ms | F1 | count | diameter RMSE % |\n|---|---|---|---|---|")
    for name, (took, said) in ways.items():
        scores = evaluate.score([said], [made.truth])
        print(
            f"| {name} | {1000 * took.processor:.0f} | {scores.polyps.f1:.3f} "
            f"| {len(said['polyps'])} of {len(made.truth['polyps'])} "
            f"| {scores.diameters_percent.rmse:.1f} |"
        )


def _status_mb(word: str) -> float:
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(float(line.split()[1]) / 1024 for line in lines if line.startswith(word))


def _count_peak_anew() -> None:
    """Linux counts a parent's peak to its child; writing 5 starts the count anew (man 5 proc)."""
    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")


def child(path: Path) -> None:
    """Print the most memory that a process holds which reads and records a photo (Linux only)."""
    _count_peak_anew()
    with open_logbook(str(path.with_suffix(".db")), create=True) as logbook:
        wishes = ReadWishes(date=SHOOT, trust_dates=True)
        done = read_photos([path], wishes, logbook=logbook)
    assert done[0].status == "recorded", done[0]
    print(_status_mb("VmHWM"))


def growth() -> None:
    """Print how much more memory is held after views of many sizes than after the first ten."""
    rng = np.random.default_rng(3)
    sizes = rng.integers(200, 1600, (MANY_SIZES, 2))
    start, after_ten = _status_mb("VmRSS"), 0.0
    _count_peak_anew()
    for done, (height, width) in enumerate(sizes, 1):
        read_maps(view_at_scale(rng.integers(0, 255, (height, width, 3), np.uint8), 1 / 6))
        if done == 10:
            after_ten = _status_mb("VmRSS") - start
    print(after_ten, _status_mb("VmRSS") - start, _status_mb("VmHWM") - start)


def in_own_process(*arguments: str) -> list[float]:
    """Run this script in a process of its own and return the numbers that it prints."""
    command = [sys.executable, __file__, *arguments]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return [float(word) for word in done.stdout.split()]


def print_memory(photos: list[Shot]) -> None:
    """Print the peak of a fresh process for each photo, and what many sizes leave behind."""
    print()
    for made in photos:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "photo.jpg"
            path.write_bytes(made.data)
            (peak,) = in_own_process("--child", str(path))
        limit = LIMIT_MB[round(made.pixels / 1e6)]
        print(
            f"{made.name}: a process that reads it holds at most {peak:.0f} MB (limit {limit:.0f})"
        )
    after_ten, after_all, most = in_own_process("--growth")
    print(
        f"held after 10 pictures of any size {after_ten:.0f} MB, after {MANY_SIZES} "
        f"{after_all:.0f} MB, at most {most:.0f} MB"
    )


def print_real_files(folder: Path) -> None:
    """Print bytes a pixel and decoding times of the JPEGs of a folder."""
    sizes, speeds = [], []
    for path in sorted(folder.rglob("*.jp*g")):
        data = np.frombuffer(path.read_bytes(), np.uint8)
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if picture is None:
            continue
        pixels = picture.shape[0] * picture.shape[1]
        sizes.append(data.size / pixels)
        took = cost(lambda data=data: cv2.imdecode(data, cv2.IMREAD_COLOR), 5)  # type: ignore[misc]
        speeds.append(1e9 * took.processor / pixels)
    if sizes:
        print(
            f"\n{len(sizes)} JPEGs of {folder.name}: {min(sizes):.2f} to {max(sizes):.2f} bytes a "
            f"pixel, median {np.median(sizes):.2f}; {min(speeds):.1f} to {max(speeds):.1f} ms a "
            f"megapixel to decode, median {np.median(speeds):.1f}"
        )


def network_and_rest(view: PlateView, times: int) -> tuple[Cost, Cost]:
    """Return what the network and all after it cost, in turns, as in readings.

    Each finds the processor's cache as the other left it.
    """
    maps: list[PlateMaps] = []
    networks, rests = [], []
    for _ in range(times + 1):
        networks.append(timed(lambda: maps.append(read_maps(view))))
        rests.append(timed(lambda: after_network(view, maps.pop())))
    return least(networks[1:]), least(rests[1:])


def print_shares(folder: Path, scales: dict[str, float], fixed: float | None, times: int) -> None:
    """Print, for each photo, the time after the network as a part of the network's."""
    found: list[tuple[float, str, float, float]] = []
    names = scales or {p.name: 0.0 for p in sorted(folder.iterdir()) if p.is_file()}
    for name in names:
        try:
            with Image.open(folder / name) as image:
                rgb = np.asarray(ImageOps.exif_transpose(image).convert("RGB"), np.uint8)
            scale = fixed or scales.get(name)
            view = view_at_scale(rgb, scale) if scale else view_from_card(rgb)
        except (OSError, PolypvisionError) as trouble:
            print(f"{name} left out: {trouble}", file=sys.stderr)
            continue
        network, rest = (one.processor for one in network_and_rest(view, times))
        found.append((rest / (network / CORES), name, network, rest))
    found.sort(reverse=True)
    print(f"\nafter the network, as a part of its time (limit {LIMIT_SHARE:.2f} on the worst)")
    print("| photo | network, processor ms | after it | part |\n|---|---|---|---|")
    for share, name, network, rest in found:
        print(f"| {name} | {1000 * network:.0f} | {1000 * rest:.0f} | {share:.2f} |")


def main() -> None:
    """Read the command line and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("truth", type=Path, nargs="?")
    parser.add_argument("--mm-per-px", type=float)
    parser.add_argument("--times", type=int, default=7)
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--growth", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    cv2.setNumThreads(CORES)
    if chosen.growth:
        growth()
        return
    if chosen.child:
        child(chosen.child)
        return
    print(machine())
    if chosen.folder:
        print_real_files(chosen.folder)
    made = shots()
    for one in made:
        print_stages(one, chosen.times)
    print_recipes(made[0])
    print_memory(made[:2])
    if chosen.folder:
        truth = json.loads(chosen.truth.read_text(encoding="utf-8")) if chosen.truth else []
        scales = {str(one["file"]): float(one["mm_per_px_assumed"]) for one in truth}
        print_shares(chosen.folder, scales, chosen.mm_per_px, max(chosen.times // 2, 1))


if __name__ == "__main__":
    main()
