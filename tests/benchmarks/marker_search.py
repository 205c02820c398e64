"""Finding the card, against the time `cv2.imdecode` takes for the same 12-megapixel file.

    python tests/benchmarks/marker_search.py

Prints the machine, the ratio of each step to decoding (processor time, the least of some runs), and
how much the process grew over a hundred searches. All is done on the picture as it is decoded whole
and, beside that, at half its size, as `read` does with such a photo.
"""

import platform
import resource
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import cv2

sys.path.insert(0, str(Path(__file__).parents[1]))
from card_shots import card_photo

from polypvision.calibrate.markers import find_markers
from polypvision.calibrate.photo import view_from_card
from polypvision.card.dictionary import DICTIONARY
from polypvision.files.pixels import open_photo

ROUNDS, SEARCHES = 5, 100


def _seconds(work: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    """Measure and print."""
    print(platform.machine(), f"Python {platform.python_version()}, OpenCV {cv2.__version__}")
    for noise in (0.005, 0.05):
        photo, _ = card_photo(
            "a5", tilt=20, roll=15, px_per_mm=13.0, picture=(4000, 3000), noise=noise
        )
        ok, data = cv2.imencode(".jpg", photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
        assert ok
        decoding = _seconds(partial(cv2.imdecode, data, cv2.IMREAD_COLOR))
        grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
        plain = cv2.aruco.ArucoDetector(DICTIONARY)
        whole = _seconds(partial(plain.detectMarkers, grey))
        ours = _seconds(partial(find_markers, photo))
        view = _seconds(partial(view_from_card, photo))
        survey = open_photo(data.tobytes(), "card").survey()
        half = _seconds(partial(find_markers, survey.rgb))
        half_view = _seconds(partial(view_from_card, survey))
        print(
            f"noise {noise}: imdecode {decoding * 1000:.0f} ms = 1; library search at full size "
            f"{whole / decoding:.2f}; ours (reduced, then refined at full size) "
            f"{ours / decoding:.2f}; the whole way to the view {view / decoding:.2f}; both at half "
            f"the size {half / decoding:.2f} and {half_view / decoding:.2f}"
        )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(SEARCHES):
        find_markers(photo)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory {before / 1024:.0f} MB, {(after - before) / 1024:+.1f} MB after {SEARCHES}")


if __name__ == "__main__":
    main()
