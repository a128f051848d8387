"""What made the results: settings, versions, files with their hashes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coreg.case import Case
from coreg.report.document import Block, Paragraph, Table
from coreg.results import StepResult
from coreg.schema import SCHEMA


def provenance(case: Case, results: Mapping[str, StepResult]) -> tuple[Block, ...]:
    """Tables of steps, input files, settings and versions."""
    figure = case.result("figure")
    steps = {**results, **({"figure": figure} if figure is not None else {})}
    return (
        steps_table(steps),
        _files(steps),
        _settings(steps),
        versions_table({name: result.record["versions"] for name, result in steps.items()}),
    )


def steps_table(steps: Mapping[str, StepResult]) -> Table:
    """When each step was made, its identity and its seed."""
    rows = [
        (
            name,
            result.record["made"],
            result.record["id"],
            "none" if result.record.get("seed") is None else str(result.record["seed"]),
        )
        for name, result in steps.items()
    ]
    return Table("Steps", ("Step", "Made", "Identity", "Seed"), tuple(rows), (1, 2, 2, 1))


def _files(steps: Mapping[str, StepResult]) -> Block:
    found: dict[str, Mapping[str, Any]] = {}
    for result in steps.values():
        found.update(result.record["inputs"])
    rows = [
        (
            name,
            str(about.get("path") or about.get("url", "")),
            f"{about['size']:,} bytes".replace(",", " ") if "size" in about else "not known",
            str(about["sha256"]),
        )
        for name, about in sorted(found.items())
    ]
    if not rows:
        return Paragraph("No input file is recorded.")
    header = ("Input", "File", "Size", "SHA-256")
    return Table("Input files", header, tuple(rows), (1.3, 1.5, 1, 2.5))


def _settings(steps: Mapping[str, StepResult]) -> Table:
    used: dict[str, dict[str, Any]] = {}
    for result in steps.values():
        for section, table in result.record["settings"].items():
            used.setdefault(section, {}).update(table)
    rows = [
        (f"[{section}] {key}", shown(used[section][key]))
        for section, known in SCHEMA.items()
        for key in known
        if key in used.get(section, {})
    ]
    return Table("Settings as used", ("Setting", "Value"), tuple(rows), (2, 3))


def versions_table(versions: Mapping[str, Mapping[str, str]]) -> Table:
    """Versions of what computed; steps with different ones are named."""
    by_name: dict[str, dict[str, list[str]]] = {}
    for step, table in versions.items():
        for name, version in table.items():
            by_name.setdefault(name, {}).setdefault(version, []).append(step)
    rows = []
    for name, found in sorted(by_name.items(), key=lambda item: item[0].lower()):
        if len(found) == 1:
            rows.append((name, next(iter(found))))
        else:
            text = "; ".join(f"{version} ({', '.join(names)})" for version, names in found.items())
            rows.append((name, text))
    return Table("Versions", ("Software", "Version"), tuple(rows), (2, 3))


def shown(value: Any) -> str:
    """A setting's value as a reader writes it; "not given" for None and empty ones."""
    if value is None or value == "" or value == []:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(shown(item) for item in value)
    return str(value)
