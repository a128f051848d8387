"""Peak-to-peak amplitude of an oscillation of known frequency, by least squares.

The three-parameter sine fit (IEEE Std 1057) is linear: cosine, sine and a constant at the known
frequency. Here drift polynomials and the harmonics are fitted beside them, so the recording need
not hold a whole number of periods and frames may be missing.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError

# Doubles as the size of one block of pixels: frames x pixels of float32 that stay in the cache.
_BLOCK_BYTES = 2 * 2**20
# Rows are read together from a file until they reach this size.
_READ_BYTES = 64 * 2**20
_WORST_CONDITION = 1e6


@dataclass(frozen=True)
class OscillationFit:
    """Maps of one fit; every map has shape (times, depth, lateral), or (depth, lateral).

    Attributes
    ----------
    amplitude : float32, peak to peak, in the data's unit (µm); NaN where there is no estimate
    phase : float32, radians in (-pi, pi]: the oscillation is cos(2 pi f t + phase), t = 0 at the
        first frame
    standard_error : float32, of the peak-to-peak amplitude, same unit; from the residual, taken as
        white noise
    distortion : float32, root sum of squares of the harmonics' amplitudes over the fundamental's
        (total harmonic distortion, a ratio); NaN where no harmonic lies below half the frame rate
    residual : float32, standard deviation of what the fit leaves, same unit
    share_of_frames : float32, the share of frames used at each pixel, 0 to 1
    frequency_hz : the modulation frequency of the fit
    frames : how many frames were used
    """

    amplitude: np.ndarray
    phase: np.ndarray
    standard_error: np.ndarray
    distortion: np.ndarray
    residual: np.ndarray
    share_of_frames: np.ndarray
    frequency_hz: float
    frames: int

    @property
    def noise_floor(self) -> np.ndarray:
        """Mean peak-to-peak amplitude that noise alone would show (mean of a Rayleigh law).

        An amplitude never averages to zero: with amplitude deviation s it is s * sqrt(pi / 2).
        """
        return self.standard_error * np.float32(np.sqrt(np.pi / 2))


@dataclass(frozen=True)
class _Design:
    """The columns fitted: cosine and sine of the fundamental first, then harmonics, then drift."""

    columns: np.ndarray
    harmonics: int

    @property
    def harmonic_columns(self) -> slice:
        return slice(2, 2 * self.harmonics)


def fit_oscillation(
    data: Any,
    frame_rate_hz: float,
    modulation_frequency_hz: float,
    *,
    drift_order: int = 1,
    harmonics: int = 3,
    frame_times_s: np.ndarray | None = None,
    keep_frames: np.ndarray | None = None,
    smallest_share_of_frames: float = 0.5,
    progress: Callable[[float, str], None] | None = None,
) -> OscillationFit:
    """Fit the oscillation at every pixel.

    Parameters
    ----------
    data : (frames, depth, lateral) or (times, frames, depth, lateral) displacement in µm; an
        ndarray, a memory-mapped array or anything that slices into one. Read in blocks, never
        copied whole. A frame that is NaN (or infinite) at a pixel is dropped there.
    frame_rate_hz : frames per second
    modulation_frequency_hz : the known frequency of the oscillation as recorded
    drift_order : order of the polynomial removed with the fit (0: a constant only)
    harmonics : highest harmonic fitted, 1 for none; those at or above half the frame rate are left
        out
    frame_times_s : (frames,) times where frames are missing or uneven; even spacing by default
    keep_frames : (frames,) or (times, frames) bool, False for frames to leave out at every pixel
    smallest_share_of_frames : a pixel with fewer valid frames gives NaN
    progress : called with a fraction and a text; may raise `Cancelled`

    Returns
    -------
    OscillationFit without the times axis where `data` has none.

    Raises
    ------
    InputError
        Where the recording is too short, or the frequency cannot be told from drift or from half
        the frame rate.

    Notes
    -----
    IEEE Std 1057, three-parameter sine fit (from memory). The standard error is that of the linear
    fit carried to the amplitude; for many samples it meets the Cramér-Rao bound sigma sqrt(2 / M)
    of the amplitude (twice that peak to peak).
    """
    shape = tuple(int(n) for n in data.shape)
    if len(shape) not in (3, 4):
        raise InputError(
            "Expected a recording of shape (frames, depth, lateral) or "
            f"(times, frames, depth, lateral), got {shape}; set axis_order in case.toml."
        )
    if np.dtype(data.dtype).kind not in "iuf":
        raise InputError(f"Expected a recording of real numbers, got {data.dtype}.")
    times = shape[0] if len(shape) == 4 else 1
    frames, depth, lateral = shape[-3:]
    seconds = _frame_times(frames, frame_rate_hz, frame_times_s)
    keep = _kept(keep_frames, times, frames)
    maps = np.full((6, times, depth, lateral), np.nan, dtype=np.float32)
    rows_at_once = max(1, min(depth, _READ_BYTES // max(1, 4 * frames * lateral)))
    whole = isinstance(data, np.ndarray) and not isinstance(data, np.memmap)
    if whole:
        rows_at_once = depth
    for time in range(times):
        design = _design(
            seconds[keep[time]], frame_rate_hz, modulation_frequency_hz, drift_order, harmonics
        )
        source = data[time] if len(shape) == 4 and whole else data
        for row in range(0, depth, rows_at_once):
            if progress is not None:
                done = (time + row / depth) / times
                progress(done, f"fitting the oscillation, time {time + 1} of {times}")
            rows = slice(row, min(depth, row + rows_at_once))
            if len(shape) == 4 and not whole:
                block = np.asarray(source[time, :, rows, :])
            else:
                block = np.asarray(source[:, rows, :])
            flat = block.reshape(frames, -1)
            if not keep[time].all():
                flat = flat[keep[time]]
            found = _fit_rows(flat, design, smallest_share_of_frames)
            maps[:, time, rows, :] = found.reshape(6, -1, lateral)
    if progress is not None:
        progress(1.0, "oscillation fitted")
    if len(shape) == 3:
        maps = maps[:, 0]
    amplitude, phase, error, distortion, residual, share = maps
    return OscillationFit(
        amplitude, phase, error, distortion, residual, share, float(modulation_frequency_hz), frames
    )


def _kept(keep: np.ndarray | None, times: int, frames: int) -> np.ndarray:
    """(times, frames) bool."""
    if keep is None:
        return np.ones((times, frames), dtype=bool)
    kept = np.asarray(keep, dtype=bool)
    if kept.shape not in ((frames,), (times, frames)):
        raise InputError(f"Expected keep_frames for {frames} frames, got shape {kept.shape}.")
    return np.broadcast_to(kept, (times, frames))


def _frame_times(frames: int, frame_rate_hz: float, given: np.ndarray | None) -> np.ndarray:
    if not (np.isfinite(frame_rate_hz) and frame_rate_hz > 0):
        raise InputError(f"Expected a frame rate above 0 Hz, got {frame_rate_hz}; set it.")
    if given is None:
        return np.arange(frames) / float(frame_rate_hz)
    seconds = np.asarray(given, dtype=np.float64)
    if seconds.shape != (frames,) or not np.isfinite(seconds).all():
        raise InputError(f"Expected {frames} finite frame times, got shape {seconds.shape}.")
    if frames > 1 and (np.diff(seconds) <= 0).any():
        raise InputError("Expected frame times that increase; sort or correct them.")
    return seconds - seconds[0]


def _design(
    seconds: np.ndarray, frame_rate_hz: float, frequency_hz: float, drift_order: int, harmonics: int
) -> _Design:
    """Float64 columns of shape (frames, parameters), checked to be told apart."""
    if not (np.isfinite(frequency_hz) and frequency_hz > 0):
        raise InputError(f"Expected a modulation frequency above 0 Hz, got {frequency_hz}; set it.")
    half = frame_rate_hz / 2
    kept = [h for h in range(1, max(1, harmonics) + 1) if h == 1 or h * frequency_hz < 0.98 * half]
    columns = []
    for harmonic in kept:
        angle = 2 * np.pi * harmonic * frequency_hz * seconds
        columns += [np.cos(angle), np.sin(angle)]
    span = seconds[-1] - seconds[0] if len(seconds) > 1 else 1.0
    centred = 2 * seconds / span - 1
    columns += list(np.polynomial.legendre.legvander(centred, drift_order).T)
    matrix = np.stack(columns, axis=1)
    if len(seconds) <= matrix.shape[1]:
        raise InputError(
            f"A recording of {len(seconds)} frames is too short to fit {matrix.shape[1]} "
            "parameters; record longer, or lower drift_order or harmonics."
        )
    # All columns are of size 1, except a sine that vanishes at half the frame rate.
    if not np.linalg.cond(matrix) < _WORST_CONDITION:
        raise InputError(
            f"An oscillation at {frequency_hz:g} Hz cannot be told from drift or from half the "
            f"frame rate ({frame_rate_hz:g} Hz) in {span:g} s; check frame_rate_hz and "
            "modulation_frequency_hz."
        )
    return _Design(matrix, len(kept))


def _fit_rows(pixels: np.ndarray, design: _Design, smallest_share: float) -> np.ndarray:
    """Fit (frames, pixels) of any real type; the six maps as float32 of shape (6, pixels)."""
    frames, count = pixels.shape
    step = max(16, _BLOCK_BYTES // (4 * frames))
    orthogonal, triangle = np.linalg.qr(design.columns)
    project = np.ascontiguousarray(orthogonal.T, dtype=np.float32)
    expand = np.ascontiguousarray(orthogonal, dtype=np.float32)
    to_columns = np.linalg.inv(triangle)
    used = frames - design.columns.shape[1]
    covariance = (to_columns @ to_columns.T)[:2, :2]
    # Whole numbers would overflow if subtracted in their own type.
    kind = None if pixels.dtype.kind == "f" else np.float32
    out = np.empty((6, count), dtype=np.float32)

    def fit_every(start: int, stride: int) -> None:
        work = np.empty((frames, min(step, count)), dtype=np.float32)
        model = np.empty_like(work)
        for first in range(start * step, count, stride * step):
            block = pixels[:, first : first + step]
            y, fitted = work[:, : block.shape[1]], model[:, : block.shape[1]]
            # Taking the first frame off keeps single precision for the oscillation, not the offset.
            # Pixels with a frame that is not finite come out broken here and are fitted below.
            with np.errstate(invalid="ignore", over="ignore"):
                np.subtract(block, block[0], out=y, dtype=kind, casting="same_kind")
                c = project @ y
                np.subtract(y, np.matmul(expand, c, out=fitted), out=y)
                power = np.einsum("tp,tp->p", y, y).astype(np.float64)
                coefficients = to_columns @ c.astype(np.float64)
            unit = np.broadcast_to(covariance, (len(power), 2, 2))
            here = out[:, first : first + step]
            with np.errstate(invalid="ignore", over="ignore"):
                here[:] = _maps(coefficients, unit, power / used, design)
            here[5] = 1.0
            broken = np.flatnonzero(~np.isfinite(power))
            if len(broken):
                here[:, broken] = _fit_with_gaps(block[:, broken], design, smallest_share)

    _in_threads(fit_every, -(-count // step))
    return out


def _in_threads(work: Callable[[int, int], None], blocks: int) -> None:
    """Share blocks between the processors: worker k of n takes every n-th block from k.

    BLAS is held to one thread meanwhile: its own threads wait for each other at every small
    product, which on a busy machine costs many times the product.
    """
    from concurrent.futures import ThreadPoolExecutor

    from threadpoolctl import threadpool_limits

    workers = max(1, min(os.cpu_count() or 1, blocks))
    with threadpool_limits(limits=1, user_api="blas"):
        if workers == 1:
            work(0, 1)
            return
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(lambda k: work(k, workers), range(workers)))


def _maps(
    coefficients: np.ndarray, covariance: np.ndarray, variance: np.ndarray, design: _Design
) -> np.ndarray:
    """Amplitude, phase, standard error, distortion, residual (and a free row) from coefficients.

    `coefficients` (parameters, pixels), `covariance` (pixels, 2, 2) of cosine and sine at unit
    noise, `variance` (pixels,) of the noise.
    """
    cosine, sine = coefficients[0], coefficients[1]
    half = np.hypot(cosine, sine)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Without any oscillation the direction is arbitrary: take the cosine's.
        toward = np.where(half > 0, np.stack([cosine, sine]) / half, [[1.0], [0.0]])
        unit = np.einsum("ip,pij,jp->p", toward, covariance, toward)
        error = np.sqrt(np.maximum(variance * unit, 0))
        if design.harmonics > 1:
            overtones = np.sqrt((coefficients[design.harmonic_columns] ** 2).sum(axis=0))
            distortion = overtones / half
        else:
            distortion = np.full_like(half, np.nan)
    maps = np.stack(
        [2 * half, np.arctan2(-sine, cosine), 2 * error, distortion, np.sqrt(variance), half]
    )
    return maps.astype(np.float32)


def _fit_with_gaps(block: np.ndarray, design: _Design, smallest_share: float) -> np.ndarray:
    """The same fit where some frames are not finite, each pixel with its own normal equations.

    They are formed in the orthonormal columns of the whole recording, where they are near the
    identity as long as few frames are missing, so that double precision suffices.
    """
    y = np.asarray(block, dtype=np.float64)
    valid = np.isfinite(y)
    frames, parameters = design.columns.shape
    out = np.full((6, y.shape[1]), np.nan, dtype=np.float32)
    count = valid.sum(axis=0)
    out[5] = count / frames
    enough = np.flatnonzero((count > parameters) & (count >= smallest_share * frames))
    if len(enough) == 0:
        return out
    y, valid, count = y[:, enough], valid[:, enough], count[enough]
    level = y[valid.argmax(axis=0), np.arange(len(enough))]  # of each pixel's first valid frame
    y = np.where(valid, y - level, 0.0)
    orthogonal, triangle = np.linalg.qr(design.columns)
    products = (orthogonal[:, :, None] * orthogonal[:, None, :]).reshape(frames, -1)
    normal = (valid.T.astype(np.float64) @ products).reshape(-1, parameters, parameters)
    solvable = np.linalg.cond(normal) < _WORST_CONDITION
    normal[~solvable] = np.eye(parameters)
    inverse = np.linalg.inv(normal)
    c = np.einsum("pij,jp->ip", inverse, orthogonal.T @ y)
    power = (np.where(valid, y - orthogonal @ c, 0.0) ** 2).sum(axis=0)
    to_columns = np.linalg.inv(triangle)
    covariance = (to_columns @ inverse @ to_columns.T)[:, :2, :2]
    maps = _maps(to_columns @ c, covariance, power / (count - parameters), design)[:5]
    maps[:, ~solvable] = np.nan
    out[:5, enough] = maps
    return out
