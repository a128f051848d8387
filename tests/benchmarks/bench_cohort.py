"""A study of 1,000 invented small cases: throughput, and that the driver's memory stays flat.

Run by hand: ``python tests/benchmarks/bench_cohort.py [--cases N] [--save]``. A case here writes
and reads the files of a finished step, so what is measured is the study's own cost beside the
cases' work; with a case that works for some time, what the workers gain. Workers are processes
reached through loopback.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import invented_study
from measured import Row, save, table

from coreg.cohort import load_study, run_study

# What stands for a case's own computing where workers are to gain by it.
WORK_SECONDS = 0.05


@dataclass(frozen=True)
class Run:
    """Seconds for all cases, for the statistics over them, and for a rerun of the finished study;
    and the driver's memory (MB) after every tenth of the cases."""

    cases: float
    statistics: float
    again: float
    memory: list[float]


def resident_mb() -> float:
    """Memory of this process now, MB (Linux); the peak elsewhere."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text(encoding="utf-8").splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measured(cases: int, workers: int, seconds_each: float = 0.0) -> Run:
    """A study of that many cases, run once and once more."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        invented_study.make_study(folder, cases, per_animal=2)
        if seconds_each:
            for place in folder.glob("case_*"):
                (place / "slow").write_text(str(seconds_each), encoding="utf-8")
        first, statistics, memory = run(folder, workers, cases)
        again = sum(run(folder, workers, cases)[:2])
    return Run(first, statistics, again, memory)


def run(folder: Path, workers: int, cases: int) -> tuple[float, float, list[float]]:
    """Seconds for the cases and for what follows, and the driver's memory at every tenth."""
    memory: list[float] = []
    worked = 0.0

    def watch(fraction: float, text: str) -> None:
        nonlocal worked
        if fraction >= 0.098 * (len(memory) + 1) and len(memory) < 10:
            memory.append(resident_mb())
        if fraction >= 0.98 and not worked:
            worked = time.perf_counter() - start

    start = time.perf_counter()
    result = run_study(
        load_study(folder), progress=watch, workers=workers, work=invented_study.invented_work
    )
    seconds = time.perf_counter() - start
    if len(result.done) != cases:
        sys.exit(f"{len(result.failed)} cases failed, the first: {result.failed[:1]}")
    return worked, seconds - worked, memory


def rows(cases: int) -> list[Row]:
    """One process beside two workers, with cases that cost nothing and with cases that work."""
    alone, two = measured(cases, 0), measured(cases, 2)
    few = max(20, cases // 4)
    working, working_two = measured(few, 0, WORK_SECONDS), measured(few, 2, WORK_SECONDS)
    beside = "one process, without Dask"
    found = [
        Row(
            "study",
            f"{cases:,} small cases by two workers, their start included",
            cases / two.cases,
            "cases/s",
            "",
            beside,
            cases / alone.cases,
            "a case costs nothing but its files",
        ),
        Row(
            "study",
            f"{few:,} cases that each work {1000 * WORK_SECONDS:.0f} ms, two workers",
            few / working_two.cases,
            "cases/s",
            "",
            beside,
            few / working.cases,
            "the start of the workers included",
        ),
        Row("study", f"statistics over {cases:,} cases, all tables", two.statistics, "s"),
        Row(
            "study",
            f"rerun of a finished study of {cases:,} cases, two workers",
            two.again,
            "s",
            "",
            beside,
            alone.again,
        ),
    ]
    for name, one in (("two workers", two), ("one process", alone)):
        found.append(
            Row(
                "study",
                f"growth of the driver's memory from the first tenth of {cases:,} cases to the "
                f"last, {name}",
                one.memory[-1] - one.memory[0],
                "MB",
                "flat",
                note=f"{one.memory[0]:.0f} MB, then {one.memory[-1]:.0f} MB",
            )
        )
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--quick", action="store_true", help="100 cases")
    parser.add_argument("--save", action="store_true", help="keep the rows for the page")
    asked = parser.parse_args()
    found = rows(100 if asked.quick else asked.cases)
    print(table(found))
    if asked.save:
        save("cohort", found, quick=asked.quick)


if __name__ == "__main__":
    main()
