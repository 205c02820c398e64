"""Outlines in the COCO form, for programs that learn from them."""

import json
import tempfile
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from polypvision import __version__
from polypvision.files.copies import told
from polypvision.files.outputs import json_text
from polypvision.reading import PlateReading, Points, Polyp


class CocoFile:
    """Readings in the COCO form: images, annotations, categories.

    Polyps are the first category: their outline as a polygon, their mouths as keypoints. Wounds
    are the second, each with the annotation of its polyp (``polyp_id``). Who said so stands in
    ``corrected_by``: of an image everybody who corrected it, of an annotation those who corrected
    that polyp; empty is the machine.

    Coordinates are of the upright photo, measured from the corner of its first pixel, so half a
    pixel more than ours, which are from that pixel's centre.

    Readings are added one after the other and wait on disk, not in memory. To be used in a
    ``with`` statement.

    Parameters
    ----------
    folder : Path
        On the disk on which they wait.

    Attributes
    ----------
    n_images : int
        Readings added so far.

    References
    ----------
    Lin T-Y et al. 2014, Microsoft COCO: common objects in context, ECCV (from memory).
    """

    def __init__(self, folder: Path) -> None:
        self._place = folder
        self.n_images = 0
        self._n_annotations = 0
        self._n_keypoints = 0
        with told(folder):
            self._images = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by `close`
            self._annotations = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - likewise

    def __enter__(self) -> "CocoFile":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of what was added."""
        self._images.close()
        self._annotations.close()

    def add(
        self,
        reading: PlateReading,
        *,
        size_px: tuple[int, int],
        file_name: str,
        authors: Sequence[str] = (),
    ) -> None:
        """Add a reading.

        Parameters
        ----------
        reading : PlateReading
        size_px : tuple of 2 ints
            Width and height of the upright photo.
        file_name : str
            Of the photo.
        authors : sequence of str
            Who corrected the photo.

        Raises
        ------
        OutputError
        """
        self.n_images += 1
        at = reading.taken_at
        self._keep(
            self._images,
            {
                "id": self.n_images,
                "file_name": file_name,
                "width": size_px[0],
                "height": size_px[1],
                "date_captured": None if at is None else at.isoformat(),
                "corrected_by": list(authors),
            },
        )
        for polyp in reading.polyps:
            self._n_keypoints = max(self._n_keypoints, polyp.n_mouths)
            self._add_polyp(polyp)

    def _add_polyp(self, polyp: Polyp) -> None:
        polyp_id = self._n_annotations + 1
        whose = {"image_id": self.n_images, "corrected_by": list(polyp.corrected_by)}
        own = {
            "score": round(float(polyp.score), 4),
            "keypoints": _keypoints(polyp),
            "num_keypoints": polyp.n_mouths,
            "label": polyp.label,
        }
        self._annotate(whose | {"category_id": 1} | _shape(polyp.outline_px) | own)
        for wound in polyp.wound_outlines_px:
            self._annotate(whose | {"category_id": 2} | _shape(wound) | {"polyp_id": polyp_id})

    def _annotate(self, values: dict[str, Any]) -> None:
        self._n_annotations += 1
        self._keep(self._annotations, {"id": self._n_annotations, **values})

    def _keep(self, file: BinaryIO, values: dict[str, Any]) -> None:
        with told(self._place):
            text = json.dumps(values, ensure_ascii=False, allow_nan=False)
            file.write(f"{text}\n".encode("utf-8", "backslashreplace"))

    def copy_to(self, out: BinaryIO) -> None:
        """Write all that was added to an open file, as JSON."""
        info = {"description": "Outlines of polyps", "version": f"polypvision {__version__}"}
        out.write(f'{{\n "info": {_indented(info)},\n "licenses": [],\n "images": '.encode())
        _write_list(out, self._kept(self._images))
        out.write(b',\n "annotations": ')
        _write_list(out, map(self._padded, self._kept(self._annotations)))
        out.write(f',\n "categories": {_indented(self._categories())}\n}}\n'.encode())

    def _kept(self, file: BinaryIO) -> Iterator[dict[str, Any]]:
        file.seek(0)
        yield from map(json.loads, file)
        file.seek(0, 2)

    def _padded(self, annotation: dict[str, Any]) -> dict[str, Any]:
        # The form has one number of keypoints for a whole category; zeros are those it has not.
        if "keypoints" in annotation:
            points = annotation["keypoints"]
            points += [0] * (3 * self._n_keypoints - len(points))
        return annotation

    def _categories(self) -> list[dict[str, Any]]:
        return [
            {
                "id": 1,
                "name": "polyp",
                "supercategory": "animal",
                "keypoints": [f"mouth {n}" for n in range(1, self._n_keypoints + 1)],
                "skeleton": [],
            },
            {"id": 2, "name": "wound", "supercategory": "animal"},
        ]


def _indented(value: Any, by: int = 1) -> str:
    """Return JSON that stands some way in; its first line does not."""
    return textwrap.indent(json_text(value).rstrip("\n"), " " * by).lstrip(" ")


def _write_list(out: BinaryIO, items: Iterator[dict[str, Any]]) -> None:
    before = "[\n  "
    for item in items:
        out.write(f"{before}{_indented(item, 2)}".encode("utf-8", "backslashreplace"))
        before = ",\n  "
    out.write(b"[]" if before.startswith("[") else b"\n ]")


def _shape(points: Points) -> dict[str, Any]:
    outline = points + 0.5
    low, high = outline.min(axis=0), outline.max(axis=0)
    return {
        "segmentation": [[round(float(value), 2) for value in outline.ravel()]],
        "area": round(_area(outline), 2),
        "bbox": [round(float(value), 2) for value in (*low, *(high - low))],
        "iscrowd": 0,
    }


def _keypoints(polyp: Polyp) -> list[float]:
    """Return x, y and 2 (labelled and visible) of each mouth."""
    places = [(mouth.x_px + 0.5, mouth.y_px + 0.5, 2) for mouth in polyp.mouths]
    return [round(value, 2) for place in places for value in place]


def _area(outline: Points) -> float:
    """Area of a closed outline (n, 2), by the surveyor's formula."""
    x, y = outline.T
    return float(abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2)
