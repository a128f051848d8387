"""The steps of a case: each reads inputs and earlier results, calls the core, writes a result.

One module a step, each with ``run(case, folder, progress) -> (summary, seed)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coreg.case import STEPS, Case, Progress
from coreg.errors import InputError, UsageError

if TYPE_CHECKING:
    from coreg.results import StepResult


@dataclass(frozen=True)
class CaseResult:
    """What a run gave.

    Attributes
    ----------
    case : the case's name
    done : steps done by this run; the others stood already
    summaries : each finished step's numbers
    figure, table : where they are; None before their step
    agreement : zone → measure → {"value", "low", "high"}, units in the measures' names
    """

    case: str
    done: tuple[str, ...]
    summaries: dict[str, dict[str, Any]]
    figure: Path | None
    table: Path | None
    agreement: dict[str, dict[str, dict[str, float | None]]] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "case": self.case,
            "done": list(self.done),
            "steps": self.summaries,
            "figure": None if self.figure is None else str(self.figure),
            "table": None if self.table is None else str(self.table),
        }

    def lines(self) -> list[str]:
        """The result in words for a terminal."""
        from coreg.steps.words import in_words

        return in_words(self)


def run_case(
    case: Case,
    steps: Sequence[str] | None = None,
    *,
    again: bool = False,
    progress: Progress | None = None,
) -> CaseResult:
    """Do what is to do or stale; see `Case.run`."""
    wanted = list(STEPS) if steps is None else list(steps)
    for step in wanted:
        if step not in STEPS:
            raise UsageError(f"{step!r} is not a step; the steps are {', '.join(STEPS)}.")
    done: list[str] = []
    with case.results.locked():
        for number, step in enumerate(wanted):
            state = case.status()[step].state
            if state == "done" and not again:
                continue
            _require_earlier(case, step)
            _run_step(case, step, _part(progress, number, len(wanted)))
            done.append(step)
    if progress is not None:
        progress(1.0, "Done")
    return result_of(case, tuple(done))


def _require_earlier(case: Case, step: str) -> None:
    status = case.status()
    for before in STEPS[step]["after"]:
        if status[before].state != "done":
            raise InputError(
                f"{step} needs {before}, which is {status[before].state} "
                f"({status[before].reason}); run 'coreg {before} {case.folder}' or "
                f"'coreg run {case.folder}'."
            )


def _run_step(case: Case, step: str, progress: Progress) -> None:
    module = import_module(f"coreg.steps.{step}")
    with case.writing(step, seed=module.seed(case)) as (folder, summary):
        progress(0.0, step)
        summary.update(module.run(case, folder, progress))


def _part(progress: Progress | None, number: int, count: int) -> Progress:
    """Progress of one step as its part of the whole."""

    def show(fraction: float, text: str) -> None:
        if progress is not None:
            progress(min(0.999, (number + fraction) / count), text)

    return show


def result_of(case: Case, done: tuple[str, ...] = ()) -> CaseResult:
    """The finished steps of a case as they stand."""
    finished: dict[str, StepResult] = {
        step: result for step in STEPS if (result := case.result(step)) is not None
    }
    figure = finished["figure"].file("figure.pdf") if "figure" in finished else None
    table = finished["agree"].file("agreement.csv") if "agree" in finished else None
    return CaseResult(
        case.name,
        done,
        {step: result.summary for step, result in finished.items()},
        figure,
        table,
        finished["agree"].summary["zones"] if "agree" in finished else {},
    )


def need(case: Case, step: str) -> StepResult:
    """An earlier step's result; raise `InputError` where it is not there."""
    result = case.result(step)
    if result is None:
        raise InputError(f"The step {step} is to do; run 'coreg {step} {case.folder}'.")
    return result
