"""A study of 1,000 invented small cases: throughput, and that the driver's memory stays flat.

Run by hand: ``python tests/benchmarks/bench_cohort.py [cases]``. A case here writes and reads the
files of a finished step, so what is measured is the study's own cost beside the cases' work.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import invented_study

from coreg.cohort import load_study, run_study


def resident_mb() -> float:
    """Memory of this process now, MB (Linux); the peak elsewhere."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text(encoding="utf-8").splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def run(folder: Path, workers: int) -> tuple[float, list[float]]:
    """Seconds for all, and the driver's memory at every tenth of the cases."""
    memory: list[float] = []

    def watch(fraction: float, text: str) -> None:
        if fraction >= 0.098 * (len(memory) + 1) and len(memory) < 10:
            memory.append(resident_mb())

    start = time.perf_counter()
    result = run_study(
        load_study(folder), progress=watch, workers=workers, work=invented_study.invented_work
    )
    seconds = time.perf_counter() - start
    assert not result.failed, result.failed[:3]
    return seconds, memory


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    times = {}
    for name, workers in (("in this process", 0), ("two Dask workers", 2)):
        with tempfile.TemporaryDirectory() as folder:
            invented_study.make_study(Path(folder), cases, per_animal=2)
            times[name], memory = run(Path(folder), workers)
            again, _ = run(Path(folder), workers)
        print(
            f"{name}: {cases} cases in {times[name]:.1f} s ({cases / times[name]:.0f} a second), "
            f"rerun {again:.1f} s; driver memory {memory[0]:.0f} MB after the first tenth, "
            f"{memory[-1]:.0f} MB after the last"
        )
    ratio = times["two Dask workers"] / times["in this process"]
    print(f"ratio two workers / in process: {ratio:.2f}")


if __name__ == "__main__":
    main()
