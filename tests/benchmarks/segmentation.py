"""Our own reading, with and without the polyp test, beside three library recipes.

    python tests/benchmarks/segmentation.py FOLDER TRUTH.json
    python tests/benchmarks/segmentation.py --coins
    python tests/benchmarks/segmentation.py --held-out 14
    python tests/benchmarks/segmentation.py --tune FOLDER TRUTH.json

All on photos whose truth is known. TRUTH.json has either shape that `polypvision evaluate` takes.
A photo without a card is read at the ``mm_per_px_assumed`` of its entry, or at --mm-per-px. All get
the same straightened view, whose making is not counted in their seconds. --tune tries the recipes'
grids instead and prints the best.
"""

import argparse
import json
import os
import platform
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from itertools import product
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import recipes
from PIL import Image, ImageOps

from polypvision import evaluate
from polypvision.calibrate.photo import view_at_scale, view_from_card
from polypvision.calibrate.view import PlateView
from polypvision.errors import PolypvisionError
from polypvision.evaluate.heldout import pictures
from polypvision.measure.shape import equivalent_diameter, polygon_area
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, to_record

Record = dict[str, Any]


@dataclass(frozen=True, kw_only=True, eq=False)
class Plate:
    """A photo, its scale where it has no card, and its truth."""

    name: str
    rgb: recipes.Rgb
    mm_per_px: float | None
    truth: Record

    def view(self) -> PlateView:
        """Straighten the photo."""
        if self.mm_per_px is None:
            return view_from_card(self.rgb)
        return view_at_scale(self.rgb, self.mm_per_px)


def plates_in(folder: Path, truth: list[Record], mm_per_px: float | None) -> Iterator[Plate]:
    """Yield the photos named in the truth, one at a time."""
    for entry in truth:
        name = str(entry.get("file", entry.get("photo")))
        path = next((p for p in (folder / name, folder / Path(name).name) if p.exists()), None)
        if path is None:
            print(f"{name} is not in {folder}; left out", file=sys.stderr)
            continue
        with Image.open(path) as image:
            upright = ImageOps.exif_transpose(image).convert("RGB")
        yield Plate(
            name=name,
            rgb=np.asarray(upright, np.uint8),
            mm_per_px=mm_per_px or entry.get("mm_per_px_assumed"),
            truth=entry,
        )


def held_out(each: int) -> Iterator[Plate]:
    """Yield the pictures of the families that no lesson shows."""
    for picture in pictures(each):
        yield Plate(
            name=picture.truth["photo"],
            rgb=picture.rgb,
            mm_per_px=picture.mm_per_px,
            truth=picture.truth,
        )


def coins() -> Plate:
    """Return scikit-image's photo of 24 coins; the truth is its published recipe's outlines.

    Sobel elevation, watershed from markers below 30 and above 150, holes filled, pieces of 100
    pixels or fewer dropped: 24 coins (scikit-image's own segmentation example). They are about
    45 px across, which is taken for 22.5 mm.
    """
    from scipy import ndimage
    from skimage import data, filters, measure, segmentation

    grey = data.coins()
    markers = np.where(grey < 30, 1, np.where(grey > 150, 2, 0))
    filled = ndimage.binary_fill_holes(segmentation.watershed(filters.sobel(grey), markers) == 2)
    polyps = []
    for region in measure.regionprops(measure.label(filled)):
        if region.area > 100:
            contour = max(measure.find_contours(np.pad(region.image, 1), 0.5), key=len)[:-1]
            outline = contour[:, ::-1] + [region.bbox[1] - 1, region.bbox[0] - 1]
            polyps.append(
                {
                    "label": int(region.label),
                    "outline_px": outline.tolist(),
                    "diameter_mm": float(region.equivalent_diameter_area) / 2,
                    "n_mouths": 0,
                    "mouths": [],
                    "wound_mm2": None,
                }
            )
    return Plate(
        name="coins",
        rgb=np.repeat(grey[..., None], 3, axis=2),
        mm_per_px=0.5,
        truth={"photo": "coins", "polyps": polyps},
    )


def recipe_record(plate: Plate, view: PlateView, outlines: recipes.Outlines) -> Record:
    """Return what a recipe found as a record: it knows no mouths and no wounds."""
    polyps = []
    for label, outline in enumerate(outlines, 1):
        outline_mm = view.to_mm(outline)
        polyps.append(
            {
                "label": label,
                "outline_px": view.to_photo(outline_mm).tolist(),
                "diameter_mm": equivalent_diameter(polygon_area(outline_mm)),
                "diameter_mm_err": None,
                "n_mouths": 0,
                "mouths": [],
                "two_mouths_probability": 0.0,
                "wound_mm2": None,
                "wound_mm2_err": None,
            }
        )
    return {
        "photo": plate.name,
        "error": None,
        "scale": {"mm_per_px": view.scale.mm_per_px},
        "polyps": polyps,
    }


def refusal(plate: Plate, error: PolypvisionError) -> Record:
    """Return the record of a photo that could not be straightened: the same for everybody."""
    return {"photo": plate.name, "error": {"kind": error.kind, "message": str(error)}}


def ours(plate: Plate, *, polyp_test: bool = True) -> Record:
    """Read a photo as the program does, or find what is round in it."""
    settings = ReadSettings(mm_per_px=plate.mm_per_px, polyp_test=polyp_test)
    facts = PhotoFacts(photo=plate.name, sha256="")
    try:
        return to_record(read_plate(plate.rgb, facts, settings))
    except PolypvisionError as error:
        return refusal(plate, error)


def compare(plates: Iterator[Plate]) -> None:
    """Read every photo in all ways and print one line for each way."""
    names = ["polypvision", "shapes alone", *recipes.RECIPES]
    records: dict[str, list[Record]] = {name: [] for name in names}
    seconds = dict.fromkeys(names, 0.0)
    straightening = 0.0
    truth = []
    for plate in plates:
        truth.append(plate.truth)
        start = time.perf_counter()
        try:
            view = plate.view()
        except PolypvisionError as error:
            for name in names:
                records[name].append(refusal(plate, error))
            continue
        took = time.perf_counter() - start
        straightening += took
        for name in names[:2]:
            start = time.perf_counter()
            records[name].append(ours(plate, polyp_test=name == "polypvision"))
            seconds[name] += max(time.perf_counter() - start - took, 0.0)
        for name, recipe in recipes.RECIPES.items():
            start = time.perf_counter()
            found = recipe(view.rgb, view.valid, view.px_per_mm, **recipes.SETTINGS[name])
            seconds[name] += time.perf_counter() - start
            records[name].append(recipe_record(plate, view, found))
    if not truth:
        raise SystemExit("no photo of the truth was found")
    n = len(truth)
    print(f"{n} photos; straightening the view {straightening / n:.2f} s a photo\n")
    print(
        "| way | F1 | precision | recall | PQ | count bias | count MAE | exact | diameter bias % "
        "| diameter RMSE % | seconds a photo |"
    )
    print("|---" * 11 + "|")
    for name in names:
        scores = evaluate.score(records[name], truth)
        d, c, size = scores.polyps, scores.counts, scores.diameters_percent
        print(
            f"| {name} | {d.f1:.3f} | {d.precision:.3f} | {d.recall:.3f} "
            f"| {d.panoptic_quality:.3f} | {c.bias:+.2f} | {c.mae:.2f} | {scores.counts_exact}/{n} "
            f"| {size.bias:+.1f} | {size.rmse:.1f} | {seconds[name] / n:.2f} |"
        )
    print("\npolypvision in full (it also finds mouths and wounds):\n")
    scores = evaluate.score(records["polypvision"], truth)
    print(evaluate.text(scores))
    print(f"\n{evaluate.breakdown(scores)}")


def tune(plates: Iterator[Plate]) -> None:
    """Print how every setting of the recipes' grids does, the best last."""
    ready = []
    for plate in plates:
        try:
            ready.append((plate, plate.view()))
        except PolypvisionError:
            continue
    for name, recipe in recipes.RECIPES.items():
        grid = recipes.GRID[name]
        results = []
        for values in product(*grid.values()):
            settings = dict(zip(grid, values, strict=True))
            records = [
                recipe_record(p, v, recipe(v.rgb, v.valid, v.px_per_mm, **settings))
                for p, v in ready
            ]
            scores = evaluate.score(records, [plate.truth for plate, _ in ready])
            results.append((scores.polyps.f1, str(settings)))
        for f1, settings_text in sorted(results):
            print(f"{name} {settings_text} F1 {f1:.3f}", flush=True)


def machine() -> str:
    """Return what this runs on."""
    model = ""
    if Path("/proc/cpuinfo").exists():
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        model = next((line.split(":")[1].strip() for line in lines if "model name" in line), "")
    return (
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, {model}; "
        f"Python {platform.python_version()}, OpenCV {cv2.__version__}, NumPy {np.__version__}, "
        f"SciPy {version('scipy')}, scikit-image {version('scikit-image')}"
    )


def main() -> None:
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("truth", type=Path, nargs="?")
    parser.add_argument("--mm-per-px", type=float)
    parser.add_argument("--coins", action="store_true")
    parser.add_argument("--held-out", type=int, metavar="EACH", help="pictures of every family")
    parser.add_argument("--tune", action="store_true")
    chosen = parser.parse_args()
    print(machine())
    if chosen.coins:
        compare(iter([coins()]))
    elif chosen.held_out:
        compare(held_out(chosen.held_out))
    elif chosen.folder is None or chosen.truth is None:
        parser.error("give a folder of photos and its truth, --coins, or --held-out")
    else:
        truth = json.loads(chosen.truth.read_text(encoding="utf-8"))
        plates = plates_in(chosen.folder, truth, chosen.mm_per_px)
        (tune if chosen.tune else compare)(plates)


if __name__ == "__main__":
    main()
