"""Fuzz with coverage as the guide (atheris): python tests/fuzz/run_fuzz.py --seconds 1800

One process after the other, one for each target, the time shared among them. What is found lies in
the folder that is printed; each find becomes a test in test_fuzz.py. With --keep FOLDER the inputs
that reached something new are kept, and the next run goes on from them.
"""

import argparse
import os
import platform
import re
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
LIBRARIES = ["polypvision", "PIL", "pillow_heif", "csv", "json"]
"""Whose Python code is watched; what they call in C is tried, but not watched."""


def fuzz_here(name: str, options: list[str]) -> None:
    """Fuzz one target in this process, until libFuzzer ends it."""
    import atheris

    with atheris.instrument_imports(include=LIBRARIES):
        from fuzz_targets import TARGETS

    atheris.Setup([sys.argv[0], *options], TARGETS[name].take)
    atheris.Fuzz()


def tokens(corpus: list[bytes]) -> str:
    """Return the words of a corpus as a dictionary for libFuzzer."""
    found = {word for one in corpus for word in re.findall(rb'"[a-z_-]{2,20}"|[a-z_]{3,20}', one)}
    kept = sorted(word for word in found if word.isascii())[:300]
    return "".join(f'"{word.decode().replace(chr(34), chr(92) + chr(34))}"\n' for word in kept)


def fuzz(name: str, seconds: float, folder: Path) -> tuple[int, float, int, list[Path]]:
    """Fuzz one target in a process of its own: runs, processor seconds, places reached, finds."""
    from fuzz_targets import TARGETS

    corpus, finds = folder / name, folder / "finds"
    for one in (corpus, finds):
        one.mkdir(parents=True, exist_ok=True)
    start = TARGETS[name].corpus()
    for number, data in enumerate(start):
        (corpus / f"start-{number}").write_bytes(data)
    words = folder / f"{name}.dict"
    words.write_text(tokens(start))
    given = [f"-dict={words}"] if words.stat().st_size else []
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    options = [
        f"-max_total_time={max(1, round(seconds))}",
        "-timeout=20",
        "-rss_limit_mb=4096",  # the instrumented interpreter itself grows with the runs
        f"-max_len={max(20_000, 2 * max(map(len, start)))}",
        f"-artifact_prefix={finds / name}-",
        "-print_final_stats=1",
        *given,
        str(corpus),
    ]
    command = [sys.executable, __file__, "--here", name, *options]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    said = done.stderr + done.stdout
    runs = [int(one) for one in re.findall(r"^#(\d+)\s", said, re.M)]
    reached = [int(one) for one in re.findall(r"cov: (\d+)", said)]
    found = sorted(finds.glob(f"{name}-*"))
    if done.returncode and not found:
        # Nothing was fuzzed: that must not pass for nothing found.
        raise SystemExit(f"{name}: {said[-2000:]}")
    if found:
        (finds / f"{name}.log").write_text(said[-20_000:])
    return max(runs, default=0), spent, max(reached, default=0), found


def main() -> int:
    """Fuzz the targets that are named, or all."""
    if sys.argv[1:2] == ["--here"]:
        fuzz_here(sys.argv[2], sys.argv[3:])
        return 0
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*")
    parser.add_argument("--seconds", type=float, default=1800.0, help="all together")
    parser.add_argument("--keep", type=Path, help="folder of inputs to go on from")
    asked = parser.parse_args()
    from fuzz_targets import TARGETS

    names = asked.targets or list(TARGETS)
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="polypvision-fuzz-"))
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, {platform.machine()}")
    print(f"Inputs and finds: {folder}")
    print("| target | runs | processor time, s | places reached | finds |\n|---|---|---|---|---|")
    all_found: list[Path] = []
    in_all = 0.0
    for name in names:
        runs, spent, reached, found = fuzz(name, asked.seconds / len(names), folder)
        print(f"| {name} | {runs} | {spent:.0f} | {reached} | {len(found)} |", flush=True)
        all_found += found
        in_all += spent
    print(f"{in_all / 60:.1f} minutes of processor time; {len(all_found)} finds", *all_found)
    return 1 if all_found else 0


if __name__ == "__main__":
    # The polypvision that this file lies beside, whichever is installed.
    sys.path[:0] = [str(HERE.parent), str(HERE), str(HERE.parents[1])]
    sys.exit(main())
