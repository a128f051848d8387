"""Kill -9 at random moments during `run`, `cohort` and the plugin's saving; 200 times by default.

python tests/benchmarks/bench_kills.py --count 200 --save
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import numpy as np  # noqa: E402
from hard_use.kills import Cases, Studies, Window  # noqa: E402
from measured import Row, save, table  # noqa: E402

# Every so many kills the work is done to its end, and must give the new state.
FINISH_EVERY = 10


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200, help="kills in all")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--save", action="store_true")
    parser.add_argument("--quick", action="store_true", help="a tenth of the kills")
    options = parser.parse_args()
    count = max(4, options.count // 10) if options.quick else options.count
    rng = np.random.default_rng(options.seed)
    shares = {"the window's saving": count * 2 // 5, "run": count * 2 // 5}
    shares["cohort"] = count - sum(shares.values())
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        kinds = {"run": Cases.make, "cohort": Studies.make, "the window's saving": Window}
        for name, kills in shares.items():
            subject = kinds[name](made(place / name.split()[0]))
            longest = 0.5 if name.startswith("the") else 1.0
            fell = 0
            for number in range(kills):
                ended = subject.kill_one(rng.uniform(0, longest), number % FINISH_EVERY == 0)
                fell += not ended
                print(f"{name}: {number + 1} of {kills}, {fell} fell before its end", flush=True)
            rows.append(
                Row(
                    "Kill -9",
                    f"mixtures after kills during {name}",
                    0,
                    "",
                    "0",
                    note=f"{kills} kills, {fell} of them before the end",
                )
            )
    print(table(rows))
    if options.save:
        save("kills", rows, options.quick)


if __name__ == "__main__":
    main()
