"""What the benchmarks measured: one kind of row, kept as JSON, printed as one table."""

from __future__ import annotations

import json
import os
import platform
from dataclasses import asdict, dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path

RESULTS = Path(__file__).parent / "results"


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
