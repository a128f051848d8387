"""Demo: write the invented scenario as a case folder and run all steps on it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coreg.case import Case, Progress, new_case
from coreg.errors import InputError, UsageError
from coreg.steps import CaseResult

# Fine enough for the zones, coarse enough that a first run takes about a minute.
UM_PER_PX = 8.0


@dataclass(frozen=True)
class DemoResult:
    """A run on the demo case, and what a faultless analysis would have found.

    truth : zone → measure → value
    """

    result: CaseResult
    truth: dict[str, dict[str, float]]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**self.result.to_dict(), "truth": self.truth}

    def lines(self) -> list[str]:
        """The run in words, the truth beside it, and at the end where figure and table are."""
        lines = self.result.lines()
        files = [line for line in lines if line.startswith(("Figure:", "Table:"))]
        lines = [line for line in lines if line not in files]
        lines.append("All of this is invented; the generator knows the truth:")
        for zone, values in self.truth.items():
            found = self.result.agreement[zone]
            for name, true in values.items():
                lines.append(f"  {zone:28} {name:22} {found[name]['value']:7.3f}  true {true:7.3f}")
        return lines + files


def make_demo(
    folder: Path, *, seed: int = 0, um_per_px: float = UM_PER_PX, progress: Progress | None = None
) -> Case:
    """Write the invented case.

    Raise `UsageError` where the folder holds something already, `InputError` where it cannot be
    written.
    """
    from coreg.demo import Scenario, simulate, write_case

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is there already and not empty; choose another folder.")
    if seed < 0:
        raise UsageError(f"The seed should be 0 or more, got {seed}.")
    if not 0.1 <= um_per_px <= 50:
        raise UsageError(f"The slide's pixel size should be 0.1 to 50 µm, got {um_per_px:g}.")
    simulated = simulate(Scenario(seed=seed))
    try:
        settings = write_case(simulated, folder, slide_um_per_px=um_per_px, progress=progress)
    except OSError as error:
        raise InputError(
            f"The demo could not be written to {folder} ({error.strerror or error}); free some "
            "space or choose a folder you may write to."
        ) from error
    return new_case(folder, settings)


def run_demo(
    folder: Path, *, seed: int = 0, um_per_px: float = UM_PER_PX, progress: Progress | None = None
) -> DemoResult:
    """Write the invented case, do all steps, and put the truth beside the result."""

    def part(start: float, share: float) -> Progress:
        def show(fraction: float, text: str) -> None:
            if progress is not None:
                progress(start + share * fraction, text)

        return show

    case = make_demo(folder, seed=seed, um_per_px=um_per_px, progress=part(0.0, 0.5))
    result = case.run(progress=part(0.5, 0.5))
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    return DemoResult(result, {zone: truth["agreement"][zone] for zone in result.agreement})
