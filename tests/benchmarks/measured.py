"""What the benchmarks measured: one kind of row, kept as JSON, printed as one table."""

from __future__ import annotations

import json
import os
import platform
from dataclasses import asdict, dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).parent / "results"
ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "measured.md"
README = ROOT / "README.md"
STARTS, ENDS = "<!-- made by tests/benchmarks/run_all.py -->", "<!-- end of what it makes -->"
INTRODUCTION = """\
# Measured accuracy and speed

<!-- Made by tests/benchmarks/run_all.py from what the benchmarks measured; run them instead of
editing. -->

Each figure was measured by a script in `tests/benchmarks/`; where an alternative is named it did
the same work in the same run, so that the ratio holds on another machine where seconds do not. A
bar is what the figure is held to; a figure that falls short of its bar is listed all the same.
Accuracy on invented cases is against their known truth: it says that the method recovers what was
put in, not how it does on your animals. Real data are the serial sections that
[this guide](guides/serial-sections.md) names.

To measure again: `python tests/benchmarks/run_all.py` (hours), or with the names of some
benchmarks (`slides displacement`), or `--quick`.
"""


@dataclass(frozen=True)
class Row:
    """One measured figure, with the bar it is held to and the alternative measured beside it."""

    part: str
    what: str
    ours: float
    unit: str = ""
    bar: str = ""
    alternative: str = ""
    theirs: float | None = None
    note: str = ""
    readme: bool = False  # whether the README's short table has it too

    @property
    def ratio(self) -> float | None:
        """Ours over theirs, from the same run."""
        return None if not self.theirs else self.ours / self.theirs


def save(name: str, rows: list[Row], quick: bool = False) -> Path:
    """Keep the rows of one benchmark, with the day, the machine and the libraries' versions."""
    RESULTS.mkdir(exist_ok=True)
    kept = {
        "benchmark": name,
        "day": date.today().isoformat(),
        "quick": quick,
        "cores": os.cpu_count(),
        "load": round(os.getloadavg()[0], 1),
        "python": platform.python_version(),
        "versions": {
            lib: version(lib) for lib in ("coreg", "numpy", "scipy", "scikit-image", "simpleitk")
        },
        "rows": [asdict(row) for row in rows],
    }
    path = RESULTS / f"{name}.json"
    path.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n")
    return path


def number(value: float | None) -> str:
    """Three significant digits, thousands apart; empty where there is none."""
    if value is None:
        return ""
    if value == 0 or abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.{max(0, 2 - int(f'{value:e}'.split('e')[1]))}f}"


def table(rows: list[Row]) -> str:
    """The rows as a Markdown table."""
    lines = [
        "| part | measured | coreg | bar | alternative, same run | its figure | coreg / it |",
        "| --- | --- | --: | --- | --- | --: | --: |",
    ]
    for row in rows:
        what = f"{row.what} ({row.note})" if row.note else row.what
        ours = f"{number(row.ours)} {row.unit}".strip()
        theirs = "" if row.theirs is None else f"{number(row.theirs)} {row.unit}".strip()
        cells = (row.part, what, ours, row.bar, row.alternative, theirs, number(row.ratio))
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def kept() -> list[dict[str, Any]]:
    """What every benchmark measured last, in the order in which data flows."""
    order = ("displacement", "slides", "zones", "alignment", "agreement", "cohort", "figure")
    found = {path.stem: json.loads(path.read_text()) for path in sorted(RESULTS.glob("*.json"))}
    first = [name for name in order if name in found]
    return [found[name] for name in first + sorted(set(found) - set(first))]


def page() -> str:
    """The documentation's page of all figures."""
    runs = kept()
    lines = [INTRODUCTION, table([Row(**row) for run in runs for row in run["rows"]])]
    lines += ["", "## When, and with what", ""]
    for run in runs:
        versions = ", ".join(f"{name} {number_}" for name, number_ in run["versions"].items())
        quick = "; a quick run, on smaller input than the bar asks for" if run["quick"] else ""
        lines.append(
            f"- {run['benchmark']}: {run['day']}, {run['cores']} cores at a load of "
            f"{run['load']}, Python {run['python']}, {versions}{quick}"
        )
    return "\n".join(lines) + "\n"


def short_table() -> str:
    """The README's table: the rows chosen for it."""
    rows = [Row(**row) for run in kept() for row in run["rows"] if row["readme"]]
    lines = ["| measured | coreg | beside it, same run | ratio |", "| --- | --: | --- | --: |"]
    for row in rows:
        lines.append(
            f"| {row.part}: {row.what} | {number(row.ours)} {row.unit} | {row.alternative}: "
            f"{number(row.theirs)} {row.unit} | {number(row.ratio)} |"
        )
    return "\n".join(lines)


def readme() -> str:
    """README.md with its table replaced by what was measured last."""
    text = README.read_text(encoding="utf-8")
    before, _, rest = text.partition(STARTS)
    after = rest.partition(ENDS)[2]
    return f"{before}{STARTS}\n\n{short_table()}\n\n{ENDS}{after}"


def write_pages() -> None:
    """Write the documentation's page and the README's table."""
    PAGE.write_text(page(), encoding="utf-8")
    README.write_text(readme(), encoding="utf-8")
