"""Soak: demo cases through the whole job, and a window's actions, in one process, without growth.

    python tests/benchmarks/bench_soak.py --cases 200 --actions 10000 --save

Memory (resident, after a collection), open handles and temporary files are counted after each
case or each hundredth action; the slope over the second half is what is reported.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import numpy as np  # noqa: E402
import psutil  # noqa: E402
from in_place_jobs import InPlace  # noqa: E402
from measured import Row, save, table  # noqa: E402

PROCESS = psutil.Process()


def counts() -> tuple[float, int, int]:
    """Resident MB, open handles, and entries of the temporary folder."""
    gc.collect()
    handles = PROCESS.num_fds() if hasattr(PROCESS, "num_fds") else PROCESS.num_handles()
    return PROCESS.memory_info().rss / 2**20, handles, len(os.listdir(tempfile.gettempdir()))


def cases(count: int) -> list[tuple[float, int, int]]:
    """Demo cases of their own seeds, on a coarse slide, through all steps, report and export."""
    from coreg.report import case_report
    from coreg.steps.demo import make_demo
    from coreg.steps.export import export_case

    found = []
    for seed in range(count):
        with tempfile.TemporaryDirectory() as folder:
            case = make_demo(Path(folder) / "case", seed=seed, um_per_px=40.0)
            case.change("agree", draws=50)
            case.run()
            case_report(case)
            export_case(case, spacing_um=100.0)
            left = [p for p in case.folder.rglob(".*") if p.name != ".lock"]
            assert not left, left
        found.append(counts())
        print(
            f"case {seed + 1} of {count}: {found[-1][0]:.0f} MB, {found[-1][1]} handles", flush=True
        )
    return found


def actions(count: int) -> list[tuple[float, int, int]]:
    """A window's actions without its pixels: landmarks, outlines, undo, settings, steps, saves."""
    from hard_use.small_case import write_case
    from napari.components import ViewerModel

    from coreg_napari.desk import Desk

    rng = np.random.default_rng(0)
    found = []
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "case"
        write_case(place)
        desk = Desk(ViewerModel(), ViewerModel(), InPlace())
        desk.open(place)
        desk.set_observer("first")
        for number in range(count):
            act(desk, place, number, rng)
            if number % 100 == 99:
                found.append(counts())
                print(
                    f"action {number + 1} of {count}: {found[-1][0]:.0f} MB, "
                    f"{found[-1][1]} handles",
                    flush=True,
                )
        desk.close()
        left = [p.name for p in place.rglob(".*.tmp")]
        assert not left, left
    return found


def act(desk, place: Path, number: int, rng: np.random.Generator) -> None:
    """One action, as a user's hour mixes them."""
    from coreg.geometry import Outline

    spot = (float(rng.uniform(1, 10)), float(rng.uniform(1, 7)))
    kind = rng.integers(0, 100)
    if number % 500 == 499:
        desk.open(place)
    elif number % 200 == 199:
        desk.run(["predict"], again=True)
    elif kind < 45:
        desk.table.move(int(rng.integers(0, len(desk.table.rows))), "plane", spot)
    elif kind < 70:
        ring = np.array(spot) + np.array([[0, 0], [0, 1.5], [1.5, 1.5], [1.5, 0]])
        desk.set_outlines("draw", [Outline(ring, "slide", zone="ablated", observer="first")])
    elif kind < 85:
        desk.history.undo()
    elif kind < 95:
        desk.history.redo()
    else:
        desk.change("case", note=f"action {number}")


def slopes(found: list[tuple[float, int, int]]) -> tuple[float, float, float]:
    """Growth a step over the second half, by least squares."""
    half = np.array(found[len(found) // 2 :], dtype=float)
    if len(half) < 2:
        return (float("nan"),) * 3
    steps = np.arange(len(half))
    return tuple(float(np.polyfit(steps, column, 1)[0]) for column in half.T)  # type: ignore[return-value]


def rows_of(found: list[tuple[float, int, int]], of: str, note: str) -> list[Row]:
    """Growth a case, or a hundred actions; a first look at the libraries is left out."""
    memory, handles, files = slopes(found)
    note += f"; {found[len(found) // 2][0]:.0f} MB half-way, {found[-1][0]:.0f} MB at the end"
    return [
        Row("Soak", f"memory that {of} leave behind", memory, "MB", "1", note=note),
        Row("Soak", f"handles that {of} leave open", handles, "", "0", note=note),
        Row("Soak", f"temporary files that {of} leave behind", files, "", "0", note=note),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--actions", type=int, default=10_000, help="0 for none")
    parser.add_argument("--save", action="store_true")
    parser.add_argument("--quick", action="store_true", help="four cases, 400 actions")
    options = parser.parse_args()
    count, acts = (4, 400) if options.quick else (options.cases, options.actions)
    rows = []
    if acts:
        rows += rows_of(actions(acts), "a hundred actions", f"{acts} actions of the window")
    if count:
        rows += rows_of(cases(count), "a demo case", f"{count} cases in one process")
    print(table(rows))
    if options.save:
        save("soak", rows, options.quick)


if __name__ == "__main__":
    main()
