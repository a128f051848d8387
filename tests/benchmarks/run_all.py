"""Run the benchmarks and write one table of all that they measured, alternatives beside.

    python tests/benchmarks/run_all.py [NAME …] [--quick] [--pages]

Each runs in its own process, one after the other; what it measured is kept in `results/`, so that
some can be run again without the rest. `--pages` writes the pages from what is kept. The window's
benchmark needs a display: put `xvfb-run -a -s "-screen 0 1600x1200x24"` before the command.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

from measured import write_pages

HERE = Path(__file__).parent
NAMES = tuple(sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py")))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*NAMES, []], default=[], metavar="NAME")
    parser.add_argument("--quick", action="store_true", help="smaller input; says so in the table")
    parser.add_argument("--pages", action="store_true", help="write the pages alone")
    options = parser.parse_args()
    failed = []
    if not options.pages:
        for name in options.names or NAMES:
            command = [sys.executable, str(HERE / f"bench_{name}.py"), "--save"]
            print(f"== {name}", flush=True)
            if subprocess.run(command + ["--quick"] * options.quick).returncode:
                failed.append(name)
    write_pages()
    if failed:
        sys.exit(f"failed, so that their last figures stand: {', '.join(failed)}")


if __name__ == "__main__":
    main()
