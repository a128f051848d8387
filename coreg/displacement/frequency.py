"""Does the recording oscillate at the frequency that the case states?

Checked on the mean spectrum of the pixels that move most: sampling below twice the frequency
(aliasing), another frequency than stated, twice the frequency (amplitude modulation of the drive
can move tissue at twice the modulation frequency), no oscillation at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.displacement.quality import sample_pixels
from coreg.errors import InputError

# A peak counts where it stands this far above the spectrum's median, in power.
_PEAK_OVER_MEDIAN = 12.0
# A frequency error that loses more than this share of the amplitude is said.
_LOSS_SAID = 0.02
_FEWEST_PERIODS = 2.0
# Breathing and heartbeat of a small animal lie below this: common practice, no source.
_SLOW_HZ = 5.0


@dataclass(frozen=True)
class Finding:
    """One thing found: a short code, a sentence, and whether the amplitude is wrong because of it.

    Codes: "aliased", "near half the frame rate", "few periods", "wrong frequency", "doubled",
    "no oscillation", "harmonic folds".
    """

    code: str
    text: str
    serious: bool


@dataclass(frozen=True)
class FrequencyCheck:
    """What the spectrum says.

    Attributes
    ----------
    findings : in order of weight; empty where all is well
    peak_hz : frequency of the strongest oscillation found; NaN where none stands out
    expected_hz : where the stated frequency appears after sampling
    frequencies_hz, power : (n,) the mean spectrum looked at
    """

    findings: tuple[Finding, ...]
    peak_hz: float
    expected_hz: float
    frequencies_hz: np.ndarray
    power: np.ndarray

    @property
    def ok(self) -> bool:
        """True where no finding makes the amplitude wrong."""
        return not any(f.serious for f in self.findings)


def alias_of(frequency_hz: float, frame_rate_hz: float) -> float:
    """Where a frequency appears after sampling, 0 to half the frame rate."""
    folded = frequency_hz % frame_rate_hz
    return float(min(folded, frame_rate_hz - folded))


def check_frequency(
    data: Any, frame_rate_hz: float, modulation_frequency_hz: float, *, pixels: int = 1024
) -> FrequencyCheck:
    """Compare a recording with its stated frequency.

    Parameters
    ----------
    data : (frames, depth, lateral), or (times, frames, depth, lateral) of which the first treatment
        time is looked at; µm
    frame_rate_hz, modulation_frequency_hz : as stated
    pixels : how many of the pixels with the clearest oscillation are looked at

    Returns
    -------
    FrequencyCheck
    """
    if len(data.shape) not in (3, 4):
        raise InputError(
            f"Expected a recording of 3 or 4 axes with frames, got shape {data.shape}."
        )
    traces = sample_pixels(data, most=8 * pixels)
    frames = traces.shape[0]
    if frames < 8:
        raise InputError(
            f"A recording of {frames} frames is too short to check its frequency; record longer."
        )
    traces = traces[:, np.isfinite(traces).all(axis=0)]
    expected = alias_of(modulation_frequency_hz, frame_rate_hz)
    findings = _sampling(frames, frame_rate_hz, modulation_frequency_hz, expected)
    resolution = frame_rate_hz / frames
    # Breathing and heartbeat move tissue more than the force does, but slowly.
    slow = max(min(3 * resolution, 0.6 * expected), min(_SLOW_HZ, expected / 4))
    frequencies, power = _spectrum(traces, frame_rate_hz, pixels, slow)
    peak = _peak(frequencies, power, slow, resolution)
    if np.isnan(peak):
        findings.append(
            Finding(
                "no oscillation",
                "No oscillation stands out of the noise in the recording: is array the right one, "
                "and was the force on?",
                serious=True,
            )
        )
    else:
        findings += _compare(
            frequencies, power, peak, expected, modulation_frequency_hz, frame_rate_hz, frames
        )
    return FrequencyCheck(tuple(findings), peak, expected, frequencies, power)


def _sampling(frames: int, rate: float, stated: float, expected: float) -> list[Finding]:
    """What follows from the numbers alone."""
    findings = []
    resolution = rate / frames
    if stated > rate / 2:
        findings.append(
            Finding(
                "aliased",
                f"The frame rate of {rate:g} Hz is below twice the modulation frequency of "
                f"{stated:g} Hz: the oscillation is aliased and appears at {expected:g} Hz. "
                "Amplitude can still be fitted, harmonics and phase lag cannot be trusted.",
                serious=expected < 2 * resolution,
            )
        )
    if rate / 2 - expected < 2 * resolution:
        findings.append(
            Finding(
                "near half the frame rate",
                f"The oscillation appears at {expected:g} Hz, too near half the frame rate "
                f"({rate / 2:g} Hz) to tell amplitude from phase; record at another frame rate.",
                serious=True,
            )
        )
    periods = expected * frames / rate
    if periods < _FEWEST_PERIODS:
        findings.append(
            Finding(
                "few periods",
                f"The recording holds {periods:.1f} periods; at least {_FEWEST_PERIODS:g} are "
                "needed to tell oscillation from drift.",
                serious=True,
            )
        )
    for harmonic in (2, 3):
        folded = alias_of(harmonic * stated, rate)
        if abs(folded - expected) < resolution:
            findings.append(
                Finding(
                    "harmonic folds",
                    f"Harmonic {harmonic} folds onto the modulation frequency at this frame rate "
                    f"({rate:g} Hz), so distortion adds to the amplitude; use another frame rate.",
                    serious=False,
                )
            )
    return findings


def _spectrum(
    traces: np.ndarray, rate: float, pixels: int, slow_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Mean power spectrum of the pixels with the clearest peak, drift removed, Hann window.

    Each pixel counts alike. Pixels are not chosen by how much they move: where tracking fails,
    noise moves more than the force does anywhere. Peaks of noise lie at all frequencies and leave
    the mean flat, so the choice makes no oscillation where there is none.
    """
    from scipy.fft import rfft
    from scipy.signal import detrend, get_window

    if traces.shape[1] == 0:
        return np.zeros(1), np.zeros(1)
    frames = len(traces)
    flat = detrend(traces.astype(np.float32), axis=0, type="linear")
    length = 8 * frames
    frequencies = np.fft.rfftfreq(length, 1 / rate)
    windowed = flat * get_window("hann", frames).astype(np.float32)[:, None]
    each = np.abs(rfft(windowed, n=length, axis=0)) ** 2
    fast = each[frequencies > slow_hz]
    total = fast.sum(axis=0)
    moves = np.flatnonzero(total > 0)
    if not len(moves):
        return frequencies, np.zeros(len(frequencies))
    clearness = fast[:, moves].max(axis=0) / total[moves]
    chosen = moves[np.argsort(clearness, kind="stable")[-pixels:]]
    return frequencies, np.mean(each[:, chosen] / total[chosen], axis=1)


def _peak(
    frequencies: np.ndarray, power: np.ndarray, slow_hz: float, resolution_hz: float
) -> float:
    """The strongest peak above slow motion, between the bins by a parabola; NaN where none."""
    usable = frequencies > slow_hz
    if not usable.any():
        return float("nan")
    at = int(np.argmax(np.where(usable, power, -1.0)))
    # A Hann window spreads a peak over two bins to either side: in a short recording that is a
    # good part of the spectrum, and no background.
    away = usable & (np.abs(frequencies - frequencies[at]) > 2 * resolution_hz)
    if not away.any() or not power[at] > _PEAK_OVER_MEDIAN * np.median(power[away]):
        return float("nan")
    if 0 < at < len(power) - 1:
        left, middle, right = np.log(np.maximum(power[at - 1 : at + 2], 1e-300))
        bend = left - 2 * middle + right
        shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    else:
        shift = 0.0
    return float(frequencies[at] + shift * (frequencies[1] - frequencies[0]))


def _compare(
    frequencies: np.ndarray,
    power: np.ndarray,
    peak: float,
    expected: float,
    stated: float,
    rate: float,
    frames: int,
) -> list[Finding]:
    duration = frames / rate
    off = peak - expected
    loss = 1 - float(np.sinc(off * duration))
    doubled = alias_of(2 * stated, rate)
    near = 1.5 / duration
    if abs(peak - doubled) < near and abs(off) >= near:
        own = _height(frequencies, power, expected, near)
        top = _height(frequencies, power, doubled, near)
        share = np.sqrt(own / top) if top > 0 else 0.0
        return [
            Finding(
                "doubled",
                f"The tissue moves at {peak:.4g} Hz, twice the stated modulation frequency of "
                f"{stated:g} Hz (the part at {stated:g} Hz is {100 * share:.0f} % of it): "
                "amplitude modulation of the drive can double it. Set modulation_frequency_hz to "
                f"{2 * stated:g}, or say why not.",
                serious=True,
            )
        ]
    if loss > _LOSS_SAID:
        if abs(off) < near:
            text = (
                f"The oscillation lies at {peak:.5g} Hz, not at {expected:.5g} Hz; fitted there, "
                f"{100 * loss:.0f} % of the amplitude is lost. Correct modulation_frequency_hz or "
                "frame_rate_hz."
            )
        else:
            text = (
                f"The strongest oscillation lies at {peak:.4g} Hz, not at the expected "
                f"{expected:.4g} Hz. Correct modulation_frequency_hz or frame_rate_hz."
            )
        return [Finding("wrong frequency", text, serious=loss > 0.1)]
    return []


def _height(frequencies: np.ndarray, power: np.ndarray, at: float, near: float) -> float:
    around = np.abs(frequencies - at) <= near
    return float(power[around].max()) if around.any() else 0.0
