"""Phones that send photos at once, while a desk corrects: python tests/benchmarks/load.py [PHONES]

Everything stays on 127.0.0.1 and ends by itself: once the photos are read, or after 15 minutes.
The phones speak to the computer by a network name, so they are paired as phones are. Prints what
was asked, how it was answered, how long that took, and the server's memory.
"""

import asyncio
import hashlib
import json
import os
import platform
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

HERE = Path(__file__).parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent)]

import cv2  # noqa: E402
import httpx2  # noqa: E402
import numpy as np  # noqa: E402
import uvicorn  # noqa: E402
from logbook_makers import fill  # noqa: E402
from photo_makers import encoded, exif  # noqa: E402
from PIL import Image  # noqa: E402

from polypvision.plates.show import stored_photos  # noqa: E402
from polypvision.store.corrections import corrections_of  # noqa: E402
from polypvision.store.logbook import open_logbook  # noqa: E402
from polypvision.web.app import make_app  # noqa: E402
from polypvision.web.guard import Door  # noqa: E402
from polypvision.web.server import server_config  # noqa: E402

PLATE, SAMPLE = "0031", HERE.parent / "sample_images" / "0031" / "2024-03-05.jpg"
NETWORK_NAME = "tray.test"
PIECE = 1_000_000
MOST_S = 900.0


def photos(n: int) -> list[bytes]:
    """A plate of the sample in 12 megapixels, taken on so many days: only the dates differ."""
    with Image.open(SAMPLE) as picture:
        rgb = cv2.resize(np.asarray(picture), (4000, 3000), interpolation=cv2.INTER_CUBIC)
    grain = np.random.default_rng(0).normal(0, 3.0, rgb.shape[:2])[..., None]
    plain = encoded(np.clip(rgb + grain, 0, 255).astype(np.uint8), "JPEG", quality=94)
    made = []
    for number in range(n):
        day = datetime(2024, 3, 5, 12) + timedelta(days=number)
        block = b"Exif\0\0" + exif(f"{day:%Y:%m:%d %H:%M:%S}").removeprefix(b"Exif\0\0")
        head = b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block
        made.append(plain[:2] + head + plain[2:])
    return made


def serve(folder: Path) -> None:
    """The server, in a process of its own; its port is told in a file."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        with open_logbook(folder / "logbook.sqlite") as book:
            door = Door(port=port, names=(NETWORK_NAME,))
            app, _ = make_app(book, folder / "desk", door)
            (folder / "port.part").write_text(str(port))
            (folder / "port.part").rename(folder / "port")
            uvicorn.Server(server_config(app)).run(sockets=[listening])


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What came back: statuses by what was asked, seconds by what was asked, what failed."""

    statuses: Counter[str] = field(default_factory=Counter)
    took: dict[str, list[float]] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)


async def ask(client: Any, seen: Seen, what: str, method: str, path: str, **more: Any) -> Any:
    """Ask as the page does: come again when told so, and count everything."""
    while True:
        start = time.perf_counter()
        try:
            answer = await client.request(method, path, **more)
        except httpx2.HTTPError as error:
            seen.failed.append(f"{what}: {type(error).__name__}")
            raise
        seen.statuses[f"{what} {answer.status_code}"] += 1
        if answer.status_code in (429, 503) and "retry-after" in answer.headers:
            await asyncio.sleep(float(answer.headers["retry-after"]))
            continue
        seen.took.setdefault(what, []).append(time.perf_counter() - start)
        if answer.status_code >= 400 and answer.status_code != 409:
            seen.failed.append(f"{what}: {answer.status_code} {answer.text[:100]}")
        return answer


@asynccontextmanager
async def at(port: int, name: str) -> AsyncIterator[Any]:
    headers = {"host": f"{name}:{port}", "origin": f"http://{name}:{port}",
               "accept": "application/json"}  # fmt: skip
    base = f"http://127.0.0.1:{port}"
    # Connections that nobody used for two seconds are not used again: the server closes them.
    limits = httpx2.Limits(keepalive_expiry=2.0)
    async with httpx2.AsyncClient(
        base_url=base, headers=headers, timeout=120, limits=limits
    ) as client:
        yield client


async def phone(port: int, code: str, data: bytes, seen: Seen) -> None:
    """Pair, send one photo piece by piece, and wait until it is read."""
    async with at(port, NETWORK_NAME) as client:
        paired = await ask(client, seen, "pair", "POST", "/pair", data={"code": code})
        client.headers["cookie"] = paired.headers["set-cookie"].partition(";")[0]
        digest = hashlib.sha256(data).hexdigest()
        said = {"sha256": digest, "size": len(data), "name": "plate.jpg"}
        now = (await ask(client, seen, "begin", "POST", "/photos/begin", json=said)).json()
        while not now["whole"]:
            offset = now["received"]
            query = {"offset": offset, "size": len(data), "name": "plate.jpg"}
            piece = data[offset : offset + PIECE]
            path = f"/photos/{digest}"
            answer = await ask(client, seen, "piece", "PUT", path, params=query, content=piece)
            now = {"whole": False} | answer.json()
        start, last = time.perf_counter(), ""
        async with client.stream("GET", f"/photos/{digest}/progress") as events:
            async for line in events.aiter_lines():
                last = line or last
        seen.took.setdefault("until read", []).append(time.perf_counter() - start)
        if '"done"' not in last:
            seen.failed.append(f"progress: {last}")
        page = await ask(client, seen, "answer", "GET", f"/photos/{digest}/answer")
        if f"Plate {PLATE}" not in page.text:
            seen.failed.append(f"answer: {page.text[:200]}")


async def desk(port: int, sha256: str, seen: Seen, done: asyncio.Event) -> list[str]:
    """Correct one photo again and again; return what was acknowledged."""
    acknowledged: list[str] = []
    async with at(port, "127.0.0.1") as client:
        client.headers["cookie"] = "polypvision_person=Ada"
        first = await ask(client, seen, "reading", "GET", f"/photos/{sha256}/reading")
        version, number = first.json()["version"], 0
        while not done.is_set():
            number += 1
            wish = {"kind": "add-mouth", "label": 1, "place_px": [118 + number % 5, 118]}
            said = {"wishes": [wish if number % 2 else {"kind": "undo"}], "seen": version}
            path = f"/photos/{sha256}/corrections"
            answer = await ask(client, seen, "correction", "POST", path, json=said)
            acknowledged += answer.json().get("ids", [])
            version = answer.json().get("version", version)
            await ask(client, seen, "plate page", "GET", "/plates/0042")
            await asyncio.sleep(0.2)
    return acknowledged


async def codes(port: int, n: int, seen: Seen) -> list[str]:
    """So many pairing codes, as the desk's page shows them."""
    found = []
    async with at(port, "127.0.0.1") as client:
        for _ in range(n):
            page = await ask(client, seen, "code", "POST", "/desk/code")
            found.append(page.text.partition("/pair#")[2][:22])
    return found


def memory_mb(pid: int, what: str) -> float:
    """Memory of a process as Linux tells it: VmRSS now, VmHWM at most."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(float(line.split()[1]) / 1000 for line in lines if line.startswith(what))


async def run(port: int, made: list[bytes], corrected: str, seen: Seen) -> list[str]:
    keys, done = await codes(port, len(made), seen), asyncio.Event()
    correcting = asyncio.create_task(desk(port, corrected, seen, done))
    phones = [phone(port, key, data, seen) for key, data in zip(keys, made, strict=True)]
    try:
        async with asyncio.timeout(MOST_S):
            for trouble in await asyncio.gather(*phones, return_exceptions=True):
                if isinstance(trouble, BaseException):
                    seen.failed.append(f"phone: {trouble!r}")
    except TimeoutError:
        seen.failed.append(f"not all photos were read within {MOST_S:.0f} s")
    done.set()
    return await correcting


def check(folder: Path, made: list[bytes], corrected: str, told: list[str]) -> dict[str, int]:
    """Count what the logbook has, against what was sent and acknowledged."""
    with open_logbook(folder / "logbook.sqlite") as book:
        recorded = [one.sha256 for one in stored_photos(book, PLATE)]
        with book.reading() as connection:
            ids = [one.id for one in corrections_of(connection, corrected)]
    sent = {hashlib.sha256(data).hexdigest() for data in made}
    return {
        "readings lost": len(sent - set(recorded)),
        "readings doubled": len(recorded) - len(set(recorded)),
        "corrections acknowledged": len(told),
        "corrections lost": len(set(told) - set(ids)),
        "corrections doubled or unasked": len(ids) - len(set(told)),
    }


def main() -> int:
    """Serve, send, count, print."""
    if sys.argv[1:2] == ["--serve"]:
        serve(Path(sys.argv[2]))
        return 0
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, {platform.machine()}")
    made, seen = photos(n), Seen()
    print(f"{n} phones, each a photo of 12 megapixels and {len(made[0]) / 1e6:.1f} MB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "photos").mkdir()
        with open_logbook(folder / "logbook.sqlite", create=True) as book:
            fill(book, folder / "photos")
            corrected = stored_photos(book, "0042")[-1].sha256
        server = subprocess.Popen([sys.executable, __file__, "--serve", name])
        try:
            while not (folder / "port").exists():
                time.sleep(0.1)
            port = int((folder / "port").read_text())
            before, start = memory_mb(server.pid, "VmRSS"), time.perf_counter()
            told = asyncio.run(run(port, made, corrected, seen))
            took, peak = time.perf_counter() - start, memory_mb(server.pid, "VmHWM")
        finally:
            server.terminate()
            server.wait(120)  # It finishes the photo that it is reading.
        counted = check(folder, made, corrected, told)
    report(seen, counted, took, (before, peak))
    bad = [value for what, value in counted.items() if "acknowledged" not in what]
    return 1 if seen.failed or any(bad) else 0


def report(seen: Seen, counted: dict[str, int], took: float, memory: tuple[float, float]) -> None:
    print("| asked for | answers | median, s | slowest, s |\n|---|---|---|---|")
    for what, times in seen.took.items():
        print(f"| {what} | {len(times)} | {statistics.median(times):.2f} | {max(times):.2f} |")
    print("\n| what | count |\n|---|---|")
    again = sum(n for what, n in seen.statuses.items() if what.endswith((" 503", " 429")))
    for what, value in {
        "requests": seen.statuses.total(),
        "asked to come again (503, 429)": again,
        "failed": len(seen.failed),
        **counted,
        "seconds in all": round(took),
        "server's memory before, MB": round(memory[0]),
        "server's memory at most, MB": round(memory[1]),
    }.items():
        print(f"| {what} | {value} |")
    print(json.dumps(dict(sorted(seen.statuses.items()))))
    for line in seen.failed[:10]:
        print(line)


if __name__ == "__main__":
    sys.exit(main())
