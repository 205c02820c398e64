"""Many photos: throughput with one and two processes, memory over a long run, kills.

    python tests/benchmarks/batch.py [N]
    python tests/benchmarks/batch.py 1000 --memory
    python tests/benchmarks/batch.py --kills 10

N photos (60 unless said) of the sample plates are read and recorded, all different by their bytes:
first by one process on one processor, then by one process with all of them (whose libraries share
the work of one photo among them), then by two processes with one each; each is a program of its
own. Photos that are read while processes start are left out. Times by the clock mean something on
a machine that does nothing else; so the processor time of each photo is counted, too, with all
processes together, and what it allows on free processors.

With --memory only two processes read, and the memory of all processes is told at every tenth.
With --kills a run over twelve small plates is killed that often at random moments, run to its end,
and its tables are held against those of an undisturbed run.
"""

import argparse
import json
import os
import platform
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from many_photos import children, command, n_recorded, recorded, tables, write_plates

from polypvision.batch.limits import processors
from polypvision.batch.run import read_batch
from polypvision.files.photos import find_photos
from polypvision.plates.read import ReadWishes
from polypvision.store.logbook import open_logbook

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PARTS = 10


def machine() -> str:
    """Return what this runs on, and how busy it is."""
    model = platform.processor() or "processor"
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        model = named[0].partition(":")[2].strip() if named else model
    load = " ".join(f"{one:.1f}" for one in os.getloadavg())
    return f"{model}, {processors()} processors, load {load}, Python {platform.python_version()}"


def write_variants(folder: Path, n: int) -> None:
    """Write n photos of the sample plates, each with a comment of its own behind its first bytes.

    A comment (COM, ITU-T T.81, B.2.4.5) changes the bytes and no pixel.
    """
    samples = [path.read_bytes() for path in sorted(SAMPLES.glob("00*/*.jpg"))]
    folder.mkdir()
    for number in range(n):
        data = samples[number % len(samples)]
        comment = f"copy {number:06d}".encode()
        segment = b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment
        (folder / f"{number:06d}.jpg").write_bytes(data[:2] + segment + data[2:])


def memory_mb(pid: int, peak: bool = False) -> float:
    """Return what a process holds in memory, or the most it held."""
    name = "VmHWM:" if peak else "VmRSS:"
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    found = [int(line.split()[1]) for line in lines if line.startswith(name)]
    return found[0] / 1024 if found else 0.0


def cpu_s(pid: int) -> float:
    """Return the processor time of a process that runs."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def busy_s() -> float:
    """Return the processor time of this process and those it started that still run."""
    own = resource.getrusage(resource.RUSAGE_SELF)
    return own.ru_utime + own.ru_stime + sum(map(cpu_s, children(os.getpid())))


def one_run(folder: Path, book: Path, jobs: int, cores: int) -> dict[str, object]:
    """Read and record a folder in this process; return what it took."""
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
    found = list(find_photos([folder]))
    warm = max(8, 4 * jobs)
    began = clock = cpu = 0.0
    memory: list[tuple[int, float, float]] = []
    with open_logbook(book, create=True) as opened:
        for done, outcome in enumerate(read_batch(found, ReadWishes(), logbook=opened, jobs=jobs)):
            assert outcome.status == "recorded", outcome.outcome
            if done + 1 == warm:
                began, cpu = time.perf_counter(), busy_s()
            if done + 1 >= warm and (done + 1) * PARTS % len(found) < PARTS:
                others = [memory_mb(pid) for pid in children(os.getpid())]
                memory.append((done + 1, memory_mb(os.getpid()), max(others, default=0.0)))
            if done + 1 == len(found):
                clock, cpu = time.perf_counter() - began, busy_s() - cpu
                peaks = [memory_mb(pid, peak=True) for pid in children(os.getpid())]
    n = len(found) - warm
    return {"clock": clock / n, "cpu": cpu / n, "memory": memory, "peak": max(peaks, default=0.0)}


def run_apart(folder: Path, jobs: int, cores: int) -> dict[str, object]:
    """Do `one_run` as a program of its own."""
    with tempfile.TemporaryDirectory() as home:
        words = [str(folder), str(Path(home) / "book.sqlite"), str(jobs), str(cores)]
        done = subprocess.run(
            [sys.executable, __file__, "--one", *words], capture_output=True, text=True, check=True
        )
    result: dict[str, object] = json.loads(done.stdout)
    return result


def throughput(folder: Path) -> None:
    """Print the table of one and two processes."""
    ways = {
        "one process, one processor": (1, 1),
        "one process, two processors": (1, 2),
        "two processes": (2, 2),
    }
    print("| way | load | photos a second | processor s a photo | on free processors |")
    print("|---|---|---|---|---|")
    rates: dict[str, tuple[float, float]] = {}
    for way, (jobs, cores) in ways.items():
        load = os.getloadavg()[0]
        run = run_apart(folder, jobs, cores)
        clock, cpu = float(str(run["clock"])), float(str(run["cpu"]))
        rates[way] = (1 / clock, max(jobs, 1) / cpu)
        free = f"{jobs / cpu:.2f}" if cores == jobs else "-"
        print(f"| {way} | {load:.1f} | {1 / clock:.2f} | {cpu:.3f} | {free} |", flush=True)
    one, _, two = rates.values()
    print(f"Two processes by one: {two[0] / one[0]:.2f} by the clock, {two[1] / one[1]:.2f} "
          "by processor time on free processors.")  # fmt: skip


def memory(folder: Path) -> None:
    """Print the memory at every tenth of a run of two processes."""
    run = run_apart(folder, 2, processors())
    print("| photos | recording process, MB | largest reading process, MB |")
    print("|---|---|---|")
    for done, own, other in run["memory"]:  # type: ignore[attr-defined]
        print(f"| {done} | {own:.0f} | {other:.0f} |")
    print(f"Most that one reading process held: {float(str(run['peak'])):.0f} MB.")


def kills(n: int) -> bool:
    """Kill a run n times, complete it, compare; return whether the tables are the same bytes."""
    with tempfile.TemporaryDirectory() as home:
        folder, place = Path(home) / "plates", Path(home) / "killed.sqlite"
        write_plates(folder, 12)
        began = time.monotonic()
        subprocess.run(
            command(folder, Path(home) / "timed.sqlite"), stdout=subprocess.DEVNULL, check=True
        )
        whole_s = time.monotonic() - began
        recorded(folder, Path(home) / "whole.sqlite", jobs=1)
        for number in range(n):
            # By the clock, and by how far it got: on a busy machine the clock tells little.
            moment = random.uniform(0.0, whole_s)
            enough = n_recorded(place) + random.randint(1, 4) if number % 2 else 13
            began = time.monotonic()
            with subprocess.Popen(command(folder, place), stdout=subprocess.DEVNULL) as run:
                while run.poll() is None and n_recorded(place) < enough:
                    if number % 2 == 0 and time.monotonic() - began > moment:
                        break
                    time.sleep(0.002)
                run.kill()
            took = time.monotonic() - began
            print(f"killed {number + 1}: after {took:.2f} s, {n_recorded(place)} recorded")
            if n_recorded(place) == 12:
                # All is there: begun anew, or the later kills would meet nothing to disturb.
                same = tables(place, Path(home) / "out") == tables(
                    Path(home) / "whole.sqlite", Path(home) / "whole"
                )
                if not same:
                    return False
                place.unlink()
        subprocess.run(command(folder, place), stdout=subprocess.DEVNULL, check=True)
        killed = tables(place, Path(home) / "out")
        return killed == tables(Path(home) / "whole.sqlite", Path(home) / "whole")


def main() -> None:
    """Print the machine and one table."""
    parser = argparse.ArgumentParser(description=__doc__, add_help=True)
    parser.add_argument("n", nargs="?", type=int, default=60)
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--kills", type=int, metavar="K")
    parser.add_argument("--one", nargs=4, help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.one:
        folder, book, jobs, cores = said.one
        print(json.dumps(one_run(Path(folder), Path(book), int(jobs), int(cores))))
        return
    print(machine(), flush=True)
    if said.kills:
        same = kills(said.kills)
        print("the tables are the same, byte for byte" if same else "THE TABLES DIFFER")
        sys.exit(not same)
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "photos"
        write_variants(folder, said.n)
        if said.memory:
            memory(folder)
        else:
            throughput(folder)


if __name__ == "__main__":
    main()
