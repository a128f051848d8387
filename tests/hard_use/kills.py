"""Kill -9 at random moments, and what must hold afterwards: the old state or the new, no mixture.

The work runs in a forked process whose libraries the parent has imported, so that a kill falls into
the work and not into imports. Linux and macOS only.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hard_use.small_case import write_case

import coreg.steps.agree
import coreg.steps.align
import coreg.steps.figure
import coreg.steps.outline
import coreg.steps.predict  # noqa: F401
from coreg.case import STEPS, open_case
from coreg.cohort import load_study, run_study
from coreg.geometry import Grid, Outline
from coreg.sources.landmarks import read_landmarks

Hashes = dict[str, str]


def forked(work: Callable[[], object], kill_after_s: float | None = None) -> bool:
    """Do work in a process of its own; whether it came to its end before it was killed."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    end = None if kill_after_s is None else time.monotonic() + kill_after_s
    while True:
        pid, status = os.waitpid(child, 0 if end is None else os.WNOHANG)
        if pid:
            assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the work itself failed"
            return not os.WIFSIGNALED(status)
        if end is not None and time.monotonic() >= end:
            os.kill(child, signal.SIGKILL)
            end = None
        time.sleep(0.0005)


def hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def step_state(case: Path, step: str) -> Hashes:
    """A step as a reader sees it: its record without the day, and its files, which must fit it."""
    result = open_case(case).result(step)
    assert result is not None, f"{step} is lost"
    found = {name: hash_of(result.file(name)) for name in result.record["outputs"]}
    assert found == result.record["outputs"], f"{step} is a mixture"
    return {**found, "id": result.record["id"]}


def case_state(case: Path) -> dict[str, Hashes]:
    """All steps of a case."""
    return {step: step_state(case, step) for step in STEPS}


def left_behind(folder: Path) -> list[str]:
    """Temporary files and folders."""
    return [
        str(path.relative_to(folder))
        for path in folder.rglob(".*")
        if path.name not in (".lock", ".window")
    ]


@dataclass
class Cases:
    """A case finished with two sets of settings: what stands before a run, and what after."""

    folder: Path
    before: Path
    after: dict[str, Hashes]
    old: dict[str, Hashes]
    seconds: float

    @classmethod
    def make(cls, folder: Path) -> Cases:
        """Run the small case with old settings, then with new ones, and time the latter."""
        before, other = folder / "before", folder / "other"
        write_case(before)
        forked(lambda: open_case(before).run())
        old = case_state(before)
        change_settings(before)
        shutil.copytree(before, other)
        start = time.monotonic()
        forked(lambda: open_case(other).run())
        seconds = time.monotonic() - start
        return cls(folder, before, case_state(other), old, seconds)

    def kill_one(self, moment: float, finish: bool) -> bool:
        """Kill a run at a share of its time; check; and where asked run it to its end."""
        case = self.folder / "case"
        shutil.rmtree(case, ignore_errors=True)
        shutil.copytree(self.before, case)
        ended = forked(lambda: open_case(case).run(), moment * self.seconds)
        for step in STEPS:
            found = step_state(case, step)
            assert found in (self.old[step], self.after[step]), f"{step} is neither old nor new"
        if finish:
            forked(lambda: open_case(case).run())
            assert case_state(case) == self.after, "the run after the kill gives something else"
            assert not left_behind(case)
        return ended


def change_settings(case: Path) -> None:
    """Settings that change every step's result."""
    opened = open_case(case)
    opened.change("predict", threshold_percent=-55.0)
    opened.change("outlines", error_mm=0.2)
    opened.change("align", model="similarity")
    opened.change("figure", columns=1)


@dataclass
class Studies:
    """A study of two cases, run with two sets of settings of one of them."""

    folder: Path
    before: Path
    old: Hashes
    new: Hashes
    seconds: float

    @classmethod
    def make(cls, folder: Path) -> Studies:
        """Run the study, change a case, and run a copy again."""
        before, other = folder / "study", folder / "other-study"
        before.mkdir(parents=True)
        write_case(before / "a")
        shutil.copytree(before / "a", before / "b")
        open_case(before / "b").change("case", animal="rabbit 2")
        forked(lambda: run(before))
        old = tables(before)
        open_case(before / "b").change("predict", threshold_percent=-55.0)
        shutil.copytree(before, other)
        start = time.monotonic()
        forked(lambda: run(other))
        return cls(folder, before, old, tables(other), time.monotonic() - start)

    def kill_one(self, moment: float, finish: bool) -> bool:
        """Kill a study at a share of its time; check; and where asked run it to its end."""
        place = self.folder / "case-study"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(self.before, place)
        ended = forked(lambda: run(place), moment * self.seconds)
        for name in ("a", "b"):
            for step in ("predict", "outline", "align", "agree"):
                step_state(place / name, step)
        assert tables(place) in (self.old, self.new), "the study's tables are a mixture"
        if finish:
            forked(lambda: run(place))
            assert tables(place) == self.new
            assert not left_behind(place)
        return ended


def run(study: Path) -> None:
    """The study in this process."""
    run_study(load_study(study), workers=0)


def tables(study: Path) -> Hashes:
    """The study's tables as the next command sees them; the path in them is no difference."""
    from coreg.results import finish_set

    finish_set(study / "cohort")
    found = {path.name: path.read_text("utf-8") for path in (study / "cohort").glob("[!.]*.*")}
    return {
        name: hashlib.sha256(text.replace(study.name, "study").encode()).hexdigest()
        for name, text in found.items()
    }


class Window:
    """What the napari plugin saves: landmarks, an observer's outlines, a setting and strokes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "window"
        write_case(self.folder)
        self.pairs = [read_landmarks(self.folder / "landmarks.csv")]
        moved = self.pairs[0]
        self.pairs.append(type(moved)(moved.plane + 0.5, moved.slide, moved.names, moved.observers))
        self.states = [self._saved(state) for state in (0, 1)]

    def _saved(self, state: int) -> Hashes:
        forked(lambda: self.save(state))
        return self.files()

    def save(self, state: int) -> None:
        """Save one of the two states, as the window does after an edit."""
        from coreg_napari.store import Store

        store = Store(self.folder)
        store.read_landmarks()
        store.read_outlines()
        store.write_landmarks((), self.pairs[state])
        corner = 1.0 + state
        ring = np.array([[corner, corner], [corner, 5.0], [5.0, 5.0], [5.0, corner]])
        store.write_outlines("first", [Outline(ring, "slide", zone="ablated", observer="first")])
        store.change("case", note=f"state {state}")
        labels = np.full((400, 400), 1 + state, dtype=np.uint8)
        store.write_strokes(labels, Grid((400, 400), (0.1, 0.1), (0.0, 0.0), "slide"))

    def files(self) -> Hashes:
        """The files that the window saves."""
        names = ("landmarks.csv", "outlines/first.geojson", "case.toml", ".window/strokes.npz")
        return {name: hash_of(self.folder / name) for name in names}

    def kill_one(self, moment: float, finish: bool) -> bool:
        """Kill a window that saves state after state; each file is of one state, and is read."""

        def saving() -> None:
            for k in range(1000):
                self.save(k % 2)

        ended = forked(saving, moment)
        found = self.files()
        for name, value in found.items():
            assert value in (self.states[0][name], self.states[1][name]), f"{name} is a mixture"
        case = open_case(self.folder)
        assert len(read_landmarks(self.folder / "landmarks.csv")) == 9
        if finish:
            with case.results.locked():
                pass
            assert not [name for name in left_behind(self.folder) if not name.startswith(".window")]
        return ended
