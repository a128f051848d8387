"""Coverage-guided fuzzing of the parsers with atheris (the extra "fuzz").

    python tests/hard_use/fuzz/run.py --seconds 60            # all, one after the other
    python tests/hard_use/fuzz/run.py npz slide --seconds 600

What a parser fails on is kept in corpus/<parser>/ and tried by the tests from then on.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
CORPUS = HERE / "corpus"
sys.path.insert(0, str(HERE.parents[1]))
_MOST_MB, _MOST_SECONDS, _MOST_BYTES = 2500, 20, 20_000


def main() -> None:
    """Run each parser named in a process of its own; end with 1 where one failed."""
    from hard_use.fuzz.parsers import PARSERS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=[])
    parser.add_argument("--seconds", type=int, default=60, help="for each parser")
    parser.add_argument("--runs", type=int, help="the same so many inputs every time")
    options = parser.parse_args()
    failed = []
    for name in options.names or PARSERS:
        with tempfile.TemporaryDirectory() as folder:
            for number, seed in enumerate(PARSERS[name].seeds()):
                (Path(folder) / f"seed-{number}").write_bytes(seed)
            (CORPUS / name).mkdir(parents=True, exist_ok=True)
            command = [sys.executable, str(HERE / "harness.py"), name, folder, str(CORPUS / name)]
            command += [
                f"-max_total_time={options.seconds}",
                f"-rss_limit_mb={_MOST_MB}",
                f"-timeout={_MOST_SECONDS}",
                f"-max_len={_MOST_BYTES}",
                f"-artifact_prefix={CORPUS / name}{os.sep}",
                "-print_final_stats=1",
                "-verbosity=0",
            ]
            # Without chance, so that a failure can be seen again.
            command += [] if options.runs is None else [f"-runs={options.runs}", "-seed=1"]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        runs = [line for line in done.stderr.splitlines() if "number_of_executed_units" in line]
        print(
            f"{name}: {'held' if done.returncode == 0 else 'FAILED'}, {' '.join(runs)}", flush=True
        )
        if done.returncode != 0:
            failed.append(name)
            print("\n".join((done.stdout + done.stderr).splitlines()[-25:]), flush=True)
        if not any((CORPUS / name).iterdir()):
            (CORPUS / name).rmdir()
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
