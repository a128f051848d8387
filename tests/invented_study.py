"""Case folders with invented agreement, and work that stands for a case's run.

Workers import this module too, so it must not import other test modules.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import numpy as np


def make_study(folder: Path, cases: int, per_animal: int = 1) -> Path:
    """Folders case_000 … with a case.toml that names animal and group."""
    for number in range(cases):
        place = folder / f"case_{number:03d}"
        place.mkdir(parents=True)
        animal = number // per_animal
        place.joinpath("case.toml").write_text(
            f'format = 1\n[case]\nanimal = "rabbit {animal:02d}"\n'
            f'group = "{"early" if animal % 2 else "late"}"\n',
            encoding="utf-8",
        )
    return folder


def invented_work(folder: str) -> dict:
    """Write a case's agreement once, note that it ran, and give its record as `run_one` does."""
    from coreg.cohort.work import failed, read_record
    from coreg.results import to_json, write_text

    place = Path(folder)
    if not (place / "case.toml").exists():
        return failed(f"{place.name} holds no case.toml; make one with 'coreg new'.")
    if (place / "slow").exists():
        time.sleep(float((place / "slow").read_text(encoding="utf-8")))
    with open(place / "runs.log", "a", encoding="utf-8") as log:
        log.write(f"{os.getpid()}\n")
    if (place / "broken").exists():
        raise ZeroDivisionError("invented fault")
    results = place / "results" / "agree"
    if (results / "agreement.json").exists():
        return read_record(results)
    results.mkdir(parents=True, exist_ok=True)
    write_text(results / "threshold.json", json.dumps(_curves(place.name)))
    labels = _labels(place.name) if (place / "observers").exists() else None
    write_text(
        results / "agreement.json",
        to_json({"zones": _zones(place.name), "observer_labels": labels}),
    )
    return read_record(results, ("agree",))


def _size(name: str) -> tuple[float, float]:
    """Predicted and pathology area of a case, from its number alone."""
    rng = np.random.default_rng(int(name[-3:]))
    pathology = rng.uniform(10, 60)
    return pathology * rng.normal(1.0, 0.1) + 1.0, pathology


def _labels(name: str) -> dict:
    """Areas (mm²) that two observers labelled: they differ on a little of the rim and the core."""
    differ = np.random.default_rng(int(name[-3:])).uniform(0.5, 3, 2)
    return {
        "observers": ["first", "second"],
        "labels": ["neither", "diffusion-damaged", "ablated"],
        "patterns": [[0, 0], [0, 1], [1, 1], [2, 1], [2, 2]],
        "areas_mm2": [60.0, differ[0], 15.0, differ[1], 20.0],
    }


def _zones(name: str) -> dict:
    predicted, pathology = _size(name)
    values = {
        "dice": 1 - abs(predicted - pathology) / (predicted + pathology),
        "predicted_area_mm2": predicted,
        "pathology_area_mm2": pathology,
        "predicted_depth_mm": predicted**0.5,
        "pathology_depth_mm": pathology**0.5,
        "predicted_width_mm": 1.2 * predicted**0.5,
        "pathology_width_mm": 1.2 * pathology**0.5,
        "hd95_mm": None,
    }
    measures = {
        key: {
            "value": value,
            "low": None if value is None else 0.9 * value,
            "high": None if value is None else 1.1 * value,
        }
        for key, value in values.items()
    }
    return {
        zone: {"measures": measures, "reasons": {"hd95_mm": "invented"}}
        for zone in ("ablated", "ablated + diffusion-damaged")
    }


def _curves(name: str) -> dict:
    steps = np.arange(-80.0, -9.0, 5)
    best = -45 + 10 * np.sin(int(name[-3:]))
    dice = (0.9 - 0.0003 * (steps - best) ** 2).tolist()
    zones = {zone: {"dice": dice} for zone in ("ablated", "ablated + diffusion-damaged")}
    return {"thresholds_percent": steps.tolist(), "zones": zones}


def outputs(study: Path) -> dict[str, bytes]:
    """Every file that a study's run wrote, name → bytes."""
    place = study / "cohort"
    return {str(f.relative_to(place)): f.read_bytes() for f in sorted(place.rglob("*.*"))}
