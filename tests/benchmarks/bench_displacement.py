"""Measure the sine fit's speed and memory, its error, and each lesion rule's score.

Run by hand: ``python tests/benchmarks/bench_displacement.py [speed|memory|bound|rules] [--save]``.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from measured import Row, save, table

PART = "displacement"
FRAMES, DEPTH, LATERAL = 2000, 512, 128
RATE, FREQUENCY = 1000.0, 50.0


def invented_recording(seed: int = 1) -> np.ndarray:
    """float32 (frames, depth, lateral): an oscillation, drift and noise."""
    rng = np.random.default_rng(seed)
    data = rng.standard_normal((FRAMES, DEPTH, LATERAL), dtype=np.float32)
    seconds = np.arange(FRAMES, dtype=np.float32) / np.float32(RATE)
    wave = 5 * np.cos(2 * np.pi * FREQUENCY * seconds + 0.4) + 3 * seconds
    data += wave.astype(np.float32)[:, None, None]
    return data


def seconds_of(function: Callable[[], Any], repeats: int = 5) -> tuple[float, float]:
    """Best wall time and best processor time of several runs."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter(), time.process_time()
        function()
        times.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    wall, processor = zip(*times, strict=True)
    return min(wall), min(processor)


def speed() -> list[Row]:
    """The fit beside numpy's Fourier transform of the same recording."""
    from coreg.displacement import fit_oscillation

    data = invented_recording()
    ours = seconds_of(lambda: fit_oscillation(data, RATE, FREQUENCY))
    fft = seconds_of(lambda: np.fft.rfft(data, axis=0), repeats=2)
    what = f"fit of {FRAMES:,} × {DEPTH} × {LATERAL} to all maps"
    note = f"numpy is {fft[0] / ours[0]:.1f} times slower; bar: 3"
    # On a busy machine the wall time says how busy it is; processor time is the work done.
    return [
        Row(PART, f"{what}: wall time", ours[0], "s", "≤ 1 s", "numpy rfft", fft[0], note, True),
        Row(PART, f"{what}: processor time", ours[1], "s", "", "numpy rfft", fft[1]),
    ]


_MEMORY = """
import sys
import numpy as np
sys.path.insert(0, {here!r})
from bench_displacement import invented_recording, RATE, FREQUENCY
from coreg.displacement import fit_oscillation
def peak():  # of this process alone; ru_maxrss would start at the parent's
    lines = open("/proc/self/status").read().splitlines()
    return 1024 * int(next(line.split()[1] for line in lines if line.startswith("VmHWM")))
data = invented_recording()
if {fit}: fit_oscillation(data, RATE, FREQUENCY)
print(peak(), data.nbytes)
"""


def memory() -> list[Row]:
    """Peak of a process that holds the recording and fits it, over the recording's size."""
    from pathlib import Path

    here = str(Path(__file__).parent)
    script = _MEMORY.format(here=here, fit=True)
    out = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    ).stdout.split()
    peak, size = (int(n) / 1e9 for n in out)
    return [
        Row(
            PART,
            "peak memory of that fit",
            peak,
            "GB",
            "≤ 1.5 of it",
            "the recording",
            size,
            readme=True,
        ),
    ]


def bound() -> list[Row]:
    """Error of amplitude against the Cramer-Rao bound and against an FFT bin."""
    from coreg.displacement import fit_oscillation

    rng = np.random.default_rng(7)
    trials = (64, 128)
    rows = []
    for frames in (200, 1000, 1013):
        seconds = np.arange(frames) / RATE
        phase = rng.uniform(0, 2 * np.pi, trials)
        clean = 5 * np.cos(2 * np.pi * 50 * seconds[:, None, None] + phase)
        for decibel in (10, 20, 30, 40):
            sigma = np.sqrt(5**2 / 2 / 10 ** (decibel / 10))
            data = (clean + rng.normal(0, sigma, clean.shape)).astype(np.float32)
            fit = fit_oscillation(data, RATE, 50.0)
            error = np.sqrt(np.mean((fit.amplitude.astype(float) - 10) ** 2))
            spectrum = np.fft.rfft(data - data.mean(axis=0), axis=0)
            bin_ = round(50 * frames / RATE)
            fft_error = np.sqrt(np.mean((4 * np.abs(spectrum[bin_]) / frames - 10) ** 2))
            limit = 2 * sigma * np.sqrt(2 / frames)
            what = f"RMS error of amplitude, {decibel} dB, {frames} frames"
            periods = f"{50 * frames / RATE:g} periods"
            note = f"{periods}; an FFT bin's is {fft_error / limit:.3g} of the bound"
            rows.append(
                Row(PART, what, float(error), "µm", "", "Cramer-Rao bound", float(limit), note)
            )
    return rows


def demo_changes(seed: int, levels: tuple[float, ...]) -> Iterator[tuple[float, Any, Any, Any]]:
    """(noise, case, change, truth masks on the recording's grid) of one demo case."""
    from dataclasses import replace

    from coreg.demo import Scenario, simulate
    from coreg.demo.recording import record
    from coreg.displacement import change_from_baseline, fit_oscillation
    from coreg.geometry import ZONES, Image, resample

    case = simulate(Scenario.random(seed))
    truths = []
    for zones in (("ablated",), ("ablated", "diffusion-damaged")):
        inside = np.isin(case.zones_plane, [ZONES[z] for z in zones]).astype(np.float32)
        truths.append(resample(Image(inside, case.zones_plane_grid), case.plane) > 0.5)
    for noise in levels:
        scenario = replace(case.scenario, noise=noise)
        data = record(scenario, case.plane, case.amplitude_truth[[0, -1]], case.correlation)
        fit = fit_oscillation(data, scenario.frame_rate_hz, scenario.modulation_frequency_hz)
        (before, now), (before_error, now_error) = fit.amplitude, fit.standard_error
        change = change_from_baseline(now, before, error=now_error, baseline_error=before_error)
        yield noise, case, change, truths


def dice(a: np.ndarray, b: np.ndarray) -> float:
    total = a.sum() + b.sum()
    return float(2 * (a & b).sum() / total) if total else 1.0


def rules(first: int = 100, count: int = 8) -> list[Row]:
    """Dice of each rule against the demo's true zones; seeds on which nothing was tuned."""
    from coreg.displacement import LesionOptions, predict_lesion

    choices: dict[str, dict[str, Any]] = {
        "threshold −40 %": {"rule": "threshold"},
        "threshold −40 %, 2 errors": {"rule": "threshold", "standard_errors": 2.0},
        "Otsu, whole plane": {"rule": "otsu", "window_mm": None},
        "Otsu": {"rule": "otsu"},
        "half-way, whole plane": {"rule": "half-way", "window_mm": None},
        "half-way": {"rule": "half-way"},
        "growing, whole plane": {"rule": "growing", "window_mm": None},
        "growing": {"rule": "growing"},
    }
    levels = (0.5, 1.0, 2.0, 4.0, 8.0)
    found: dict[tuple[str, int], dict[float, list[float]]] = {}
    for seed in range(first, first + count):
        for noise, case, change, truths in demo_changes(seed, levels):
            for name, choice in choices.items():
                options = LesionOptions(
                    focus=case.scenario.focus_mm, connected_to_focus=True, **choice
                )
                lesion = predict_lesion(change, options, grid=case.plane)
                for i, truth in enumerate(truths):
                    scores = found.setdefault((name, i), {}).setdefault(noise, [])
                    scores.append(dice(lesion.mask, truth))
    rows = []
    for i, zones in enumerate(("ablated core", "core with rim")):
        for noise in levels:
            plain = float(np.mean(found["threshold −40 %", i][noise]))
            for name in choices:
                scores = found[name, i][noise]
                what = f"Dice with the true {zones} at {noise:g} times the ordinary noise: {name}"
                note = f"mean of {count} demo cases, lowest {np.min(scores):.2f}"
                other = "" if name == "threshold −40 %" else "threshold −40 %"
                beside = plain if other else None
                rows.append(Row(PART, what, float(np.mean(scores)), "", "", other, beside, note))
    return rows


def main() -> None:
    parts = {"speed": speed, "memory": memory, "bound": bound, "rules": rules}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(parts))
    parser.add_argument("--save", action="store_true", help="keep all parts for the page")
    parser.add_argument("--quick", action="store_true", help="two demo cases for the rules")
    options = parser.parse_args()
    if options.quick:
        parts["rules"] = lambda: rules(count=2)
    rows = [row for name in options.parts or parts for row in parts[name]()]
    print(table(rows))
    if options.save and not options.parts:
        save("displacement", rows, options.quick)


if __name__ == "__main__":
    main()
