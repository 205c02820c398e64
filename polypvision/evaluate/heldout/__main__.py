"""How well the readers do on families they never saw.

    python -m polypvision.evaluate.heldout
    python -m polypvision.evaluate.heldout --each 2 --empty 0 --only netting

The pictures are painted anew each time and are always the same.
"""

import argparse
from collections.abc import Iterable
from typing import Any

from polypvision.errors import PolypvisionError
from polypvision.evaluate import breakdown, score, text
from polypvision.evaluate.heldout import HeldOut, empty_pictures, pictures
from polypvision.pipeline import ReadSettings, read_plate
from polypvision.reading import PhotoFacts, Refusal, to_record


def read(picture: HeldOut, *, polyp_test: bool = True) -> dict[str, Any]:
    """Return the record of a picture as the program reads it."""
    settings = ReadSettings(mm_per_px=picture.mm_per_px, polyp_test=polyp_test)
    facts = PhotoFacts(photo=picture.truth["photo"], sha256="")
    try:
        reading = read_plate(picture.rgb, facts, settings)
    except PolypvisionError as error:
        return to_record(Refusal(facts=facts, kind=error.kind, message=str(error)))
    return to_record(reading)


def _read_all(
    chosen: Iterable[HeldOut], only: str, polyp_test: bool
) -> tuple[list[Any], list[Any]]:
    records, truth = [], []
    for picture in chosen:
        if only in picture.truth["family"]:
            records.append(read(picture, polyp_test=polyp_test))
            truth.append(picture.truth)
    return records, truth


def main() -> None:
    """Read the command line, paint, read, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--each", type=int, default=14, help="pictures of every family")
    parser.add_argument("--empty", type=int, default=60, help="pictures without any polyp")
    parser.add_argument("--only", default="", help="families whose name holds this")
    parser.add_argument("--shapes", action="store_true", help="without the polyp test")
    args = parser.parse_args()
    polyp_test = not args.shapes
    if args.each:
        scores = score(*_read_all(pictures(args.each), args.only, polyp_test))
        print(text(scores))
        print(f"\n{breakdown(scores)}")
    if args.empty:
        scores = score(*_read_all(empty_pictures(args.empty), args.only, polyp_test))
        wrong = {photo.photo: photo.n_found for photo in scores.photos if photo.n_found}
        print(f"\n{len(scores.photos)} pictures without any polyp: {sum(wrong.values())} found")
        for name, found in wrong.items():
            print(f"  {name}: {found}")


if __name__ == "__main__":
    main()
