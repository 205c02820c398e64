"""What reading a plate costs: time against decoding its JPEG, memory above the picture.

    python tests/benchmarks/plate_cost.py
    python tests/benchmarks/plate_cost.py FOLDER --mm-per-px 0.1
    python tests/benchmarks/plate_cost.py FOLDER TRUTH.json

Paints a 12-megapixel photo of an A5 plate and reads it; then pictures of many sizes in one
process, whose memory must not grow with their number. Times are those of the processor, both cores
together: other work on the machine does not count. What runs on both cores at once (the network)
takes half of it by the clock, what follows runs on one. With a folder, the time of everything after
the network is also measured as a part of the network's, on each of its photos; the scales come from
the truth's ``mm_per_px_assumed`` or from --mm-per-px, else from the card.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import PlateView
from polypvision.errors import PolypvisionError
from polypvision.measure.polyps import measure_polyps
from polypvision.mouths.find import find_mouths
from polypvision.pipeline import read_plate
from polypvision.reading import PhotoFacts, Polyp
from polypvision.render.chance import random_scene
from polypvision.render.photo import jpeg_bytes, render_scene
from polypvision.segment.discs import segment_polyps
from polypvision.segment.maps import PlateMaps, read_maps

CORES = 2
MANY_SIZES = 40
LIMIT_RATIO, LIMIT_MB, LIMIT_SHARE = 2.5, 250.0, 1 / 3


def seconds(work: Callable[[], object], times: int) -> float:
    """Return the least processor time of a piece of work, once done before.

    The least, for what else the machine does can only add (Python's manual, `timeit`).
    """
    work()
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def after_network(view: PlateView, maps: PlateMaps) -> tuple[Polyp, ...]:
    """Do all that follows the network."""
    polyp_map = segment_polyps(view, maps)
    return measure_polyps(view, maps, polyp_map, find_mouths(view, maps, polyp_map))


def a5_photo() -> bytes:
    """Return the JPEG of a 12-megapixel photo of an A5 plate."""
    rng = np.random.default_rng(12)
    scene = random_scene(rng, card="a5", width_px=4000, height_px=3000, n_polyps=14)
    return jpeg_bytes(render_scene(scene, rng), scene)


def decode(data: bytes) -> NDArray[np.uint8]:
    """Return the picture of a JPEG, upright, as RGB."""
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.ascontiguousarray(bgr[..., ::-1], np.uint8)


def _status_mb(word: str) -> float:
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(float(line.split()[1]) / 1024 for line in lines if line.startswith(word))


def child(path: Path) -> None:
    """Print how much more memory reading a photo takes than holding it decoded (Linux only)."""
    rgb = decode(path.read_bytes())
    # Linux counts a parent's peak to its child; writing 5 starts the count anew (man 5 proc).
    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    before = _status_mb("VmRSS")
    read_plate(rgb, PhotoFacts(photo="a5", sha256=""))
    print(_status_mb("VmHWM") - before)


def growth() -> None:
    """Print how much more memory is held after views of many sizes than after the first ten."""
    rng = np.random.default_rng(3)
    sizes = rng.integers(200, 1600, (MANY_SIZES, 2))
    start, after_ten = _status_mb("VmRSS"), 0.0
    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    for done, (height, width) in enumerate(sizes, 1):
        read_maps(view_at_scale(rng.integers(0, 255, (height, width, 3), np.uint8), 1 / 6))
        if done == 10:
            after_ten = _status_mb("VmRSS") - start
    print(after_ten, _status_mb("VmRSS") - start, _status_mb("VmHWM") - start)


def growth_mb() -> tuple[float, float, float]:
    """Measure `growth` in a process of its own: held after ten, after all, and at most."""
    command = [sys.executable, __file__, "--growth"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    after_ten, after_all, most = map(float, done.stdout.split())
    return after_ten, after_all, most


def memory_mb(data: bytes) -> float:
    """Measure `child` in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a5.jpg"
        path.write_bytes(data)
        command = [sys.executable, __file__, "--child", str(path)]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    return float(done.stdout)


def plate_cost(times: int) -> None:
    """Print the cost of one A5 plate."""
    data = a5_photo()
    rgb = decode(data)
    decoding = seconds(
        lambda: cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR), 3 * times
    )
    straightening = seconds(lambda: view_from_card(rgb), times)
    view = view_from_card(rgb)
    network = seconds(lambda: read_maps(view), times)
    maps = read_maps(view)
    rest = seconds(lambda: after_network(view, maps), times)
    ratio = (network / CORES + rest) / decoding
    more_mb = memory_mb(data)
    print(f"photo {rgb.shape[1]} x {rgb.shape[0]}, view {view.rgb.shape[1]} x {view.rgb.shape[0]}")
    print("| what | processor seconds | of imdecode |\n|---|---|---|")
    for name, took in (
        ("cv2.imdecode", decoding),
        ("card found, plate straightened and balanced", straightening),
        ("network", network),
        ("polyps, mouths, measures", rest),
    ):
        print(f"| {name} | {took:.3f} | {took / decoding:.2f} |")
    print(f"network on {CORES} cores and reading on one: {ratio:.2f} times imdecode", end=" ")
    print(f"(limit {LIMIT_RATIO})")
    print(f"memory above the picture: {more_mb:.0f} MB (limit {LIMIT_MB:.0f})")
    after_ten, after_all, most = growth_mb()
    print(
        f"held after 10 pictures of any size {after_ten:.0f} MB, after {MANY_SIZES} "
        f"{after_all:.0f} MB, at most {most:.0f} MB"
    )


def shares(folder: Path, scales: dict[str, float], fixed: float | None, times: int) -> None:
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
        network = seconds(lambda view=view: read_maps(view), times)  # type: ignore[misc]
        maps = read_maps(view)
        rest = seconds(
            lambda view=view, maps=maps: after_network(view, maps),  # type: ignore[misc]
            times,
        )
        found.append((rest / (network / CORES), name, network, rest))
    found.sort(reverse=True)
    print(f"\nafter the network, as a part of its time (limit {LIMIT_SHARE:.2f} on the worst)")
    print("| photo | network, processor s | after it | part by the clock |\n|---|---|---|---|")
    for share, name, network, rest in found:
        print(f"| {name} | {network:.3f} | {rest:.3f} | {share:.2f} |")


def main() -> None:
    """Read the command line and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("truth", type=Path, nargs="?")
    parser.add_argument("--mm-per-px", type=float)
    parser.add_argument("--times", type=int, default=5)
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
    plate_cost(chosen.times)
    if chosen.folder:
        truth = json.loads(chosen.truth.read_text(encoding="utf-8")) if chosen.truth else []
        scales = {str(one["file"]): float(one["mm_per_px_assumed"]) for one in truth}
        shares(chosen.folder, scales, chosen.mm_per_px, max(chosen.times // 2, 1))


if __name__ == "__main__":
    main()
