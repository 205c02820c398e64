"""Try every kind of attack on the pages, many times: python tests/benchmarks/attacks.py [N]

Everything happens in this process and in a folder of its own; nothing is sent over any network.
"""

import os
import platform
import random
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parents[1]
sys.path[:0] = [str(HERE), str(HERE / "web"), str(HERE.parent)]

from attack_kinds import ATTACKS, Chance  # noqa: E402
from web_house import open_house  # noqa: E402


def main() -> int:
    """Print one row for each kind."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, {platform.machine()}")
    print("| kind of attack | tries | let in |\n|---|---|---|")
    tries = 0
    let_in: list[str] = []
    for kind, attack in ATTACKS.items():
        with tempfile.TemporaryDirectory() as folder, open_house(Path(folder)) as house:
            found = attack(house, Chance(rng=random.Random(n), n=n))
        tries += found.tries
        let_in += [f"{kind}: {one}" for one in found.let_in]
        print(f"| {kind} | {found.tries} | {len(found.let_in)} |", flush=True)
    print(f"| all | {tries} | {len(let_in)} |", *let_in, sep="\n")
    return 1 if let_in else 0


if __name__ == "__main__":
    sys.exit(main())
