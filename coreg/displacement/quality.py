"""Where a displacement estimate can be trusted, and frames that breathing spoils."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample

# Why a pixel is not trusted, as bits of `Quality.why`.
REASONS: dict[str, int] = {
    "no estimate": 1,
    "fit error": 2,
    "correlation": 4,
    "shadow": 8,
    "saturation": 16,
}


@dataclass(frozen=True)
class QualityOptions:
    """Limits of the quality mask.

    Attributes
    ----------
    largest_error : standard error of the amplitude as a share of the baseline amplitude. Not of the
        amplitude itself: in a lesion that falls, and the lesion must not be masked for it
    largest_error_um : and in µm; whichever is larger counts
    smallest_correlation : below it the tracking is not trusted
    shadow_db : B-mode this far below the plane's median counts as shadow
    shadow_mm : B-mode is averaged over this length first, so that speckle is not called shadow
    saturated_share : share of saturated B-mode pixels around a pixel from which it is not trusted
    """

    largest_error: float = 0.2
    largest_error_um: float = 0.5
    smallest_correlation: float = 0.8
    shadow_db: float = 20.0
    shadow_mm: float = 1.5
    saturated_share: float = 0.5

    def __post_init__(self) -> None:
        if not (self.largest_error > 0 and self.largest_error_um >= 0):
            raise InputError(
                "Expected largest_error above 0 and largest_error_um of 0 or more, got "
                f"{self.largest_error} and {self.largest_error_um}."
            )
        if not 0 <= self.smallest_correlation <= 1:
            raise InputError(
                f"Expected smallest_correlation in 0 to 1, got {self.smallest_correlation}."
            )
        if not (self.shadow_mm > 0 and 0 < self.saturated_share <= 1):
            raise InputError("Expected shadow_mm above 0 and saturated_share in 0 to 1.")


@dataclass(frozen=True)
class Quality:
    """Which pixels can be trusted.

    Attributes
    ----------
    mask : (depth, lateral) bool
    why : (depth, lateral) uint8, bits of `REASONS`, 0 where trusted
    """

    mask: np.ndarray
    why: np.ndarray

    @property
    def shares(self) -> dict[str, float]:
        """Share of all pixels lost for each reason, 0 to 1; a pixel may count more than once."""
        return {name: float(((self.why & bit) > 0).mean()) for name, bit in REASONS.items()}


def quality_mask(
    amplitude: np.ndarray,
    *,
    grid: Grid,
    error: np.ndarray | None = None,
    baseline: np.ndarray | None = None,
    correlation: np.ndarray | None = None,
    bmode: Image | None = None,
    bmode_is_db: bool = True,
    saturated_at: float | None = None,
    options: QualityOptions | None = None,
) -> Quality:
    """Mask of trusted pixels.

    Parameters
    ----------
    amplitude : (depth, lateral) or (times, depth, lateral) µm; NaN anywhere in time is no estimate
    grid : of the maps
    error : standard errors of the same shape; the largest over time counts
    baseline : (depth, lateral) baseline amplitude; where None the largest over time stands for it
    correlation : (depth, lateral) or (times, depth, lateral), 0 to 1; the smallest over time counts
    bmode : B-mode in the imaging plane, on any grid
    bmode_is_db : True where its grey values are dB or proportional to dB with 60 dB over their
        range; False where they are linear amplitudes
    saturated_at : grey value from which B-mode is saturated; None for its highest value, if at
        least 0.1 % of the pixels share it
    """
    options = options or QualityOptions()
    now = np.asarray(amplitude, dtype=np.float32)
    _on_grid("amplitude", now, grid)
    series = now.reshape(-1, *grid.shape)
    missing = ~np.isfinite(series).all(axis=0)
    why = np.where(missing, REASONS["no estimate"], 0).astype(np.uint8)
    if error is not None:
        errors = np.asarray(error, dtype=np.float32)
        _on_grid("error", errors, grid)
        worst = np.max(errors.reshape(-1, *grid.shape), axis=0)
        base = np.max(series, axis=0) if baseline is None else np.asarray(baseline)
        _on_grid("baseline", base, grid)
        with np.errstate(invalid="ignore"):
            limit = np.maximum(options.largest_error * base, options.largest_error_um)
            why[~(worst <= limit) & ~missing] |= REASONS["fit error"]
    if correlation is not None:
        rho = np.asarray(correlation, dtype=np.float32)
        _on_grid("correlation", rho, grid)
        lowest = np.min(rho.reshape(-1, *grid.shape), axis=0)
        why[~(lowest >= options.smallest_correlation)] |= REASONS["correlation"]
    if bmode is not None:
        shadow, saturated = _bmode_faults(bmode, bmode_is_db, saturated_at, options)
        for name, fault in (("shadow", shadow), ("saturation", saturated)):
            here = resample(Image(fault.astype(np.float32), bmode.grid), grid, fill=0.0)
            why[here > 0.5] |= REASONS[name]
    return Quality(why == 0, why)


def _on_grid(name: str, values: np.ndarray, grid: Grid) -> None:
    if values.ndim not in (2, 3) or values.shape[-2:] != grid.shape:
        raise InputError(
            f"Expected {name} of the grid's shape {grid.shape}, got {values.shape}; resample it."
        )


def _bmode_faults(
    bmode: Image, is_db: bool, saturated_at: float | None, options: QualityOptions
) -> tuple[np.ndarray, np.ndarray]:
    """(shadow, saturated) as bool maps on the B-mode's own grid."""
    from scipy import ndimage

    values = np.asarray(bmode.data, dtype=np.float64)
    low, high = np.nanmin(values), np.nanmax(values)
    if is_db:
        # Display grey values map a dynamic range of about 60 dB; dB values already are dB.
        db = values if low < 0 else 60.0 * (values - low) / max(high - low, 1e-12)
    else:
        db = 20 * np.log10(np.maximum(values, 1e-6 * max(high, 1e-12)))
    size = [max(1, round(options.shadow_mm / s)) for s in bmode.grid.spacing]
    # Mean level in dB over a patch; NaN counts as dark.
    level = ndimage.uniform_filter(np.nan_to_num(db, nan=float(np.nanmin(db))), size)
    shadow = level < np.median(level) - options.shadow_db
    top = saturated_at if saturated_at is not None else high
    at_top = values >= top
    if saturated_at is None and at_top.mean() < 1e-3:
        return shadow, np.zeros_like(shadow)
    return shadow, ndimage.uniform_filter(at_top.astype(float), size) >= options.saturated_share


@dataclass(frozen=True)
class FrameRejection:
    """Frames of one recording that bulk motion (breathing) spoils.

    Attributes
    ----------
    keep : (frames,) bool
    bulk_um : (frames,) displacement that the whole plane shares, oscillation removed
    limit_um : how far from its median the bulk displacement may go
    """

    keep: np.ndarray
    bulk_um: np.ndarray
    limit_um: float

    @property
    def rejected(self) -> int:
        return int((~self.keep).sum())


def reject_breathing(
    data: Any,
    frame_rate_hz: float,
    modulation_frequency_hz: float,
    *,
    deviations: float = 6.0,
    smallest_um: float = 2.0,
    margin: int = 1,
) -> FrameRejection:
    """Find frames in which the whole plane moves abruptly.

    The median over pixels, with the oscillation and a slow (quadratic) drift removed, is the bulk
    motion; a frame is rejected where that or its step to the next frame lies more than `deviations`
    robust standard deviations (and `smallest_um`) from its median, with `margin` frames around.

    Parameters
    ----------
    data : (frames, depth, lateral) µm
    """
    traces = sample_pixels(data, most=4096)
    frames = len(traces)
    finite = np.isfinite(traces)
    some = finite.any(axis=1)
    bulk = np.full(frames, np.nan)
    bulk[some] = np.nanmedian(np.where(finite, traces, np.nan)[some], axis=1)
    if not some.any():
        raise InputError("The recording holds no finite displacement.")
    good = np.isfinite(bulk)
    seconds = np.arange(frames) / frame_rate_hz
    angle = 2 * np.pi * modulation_frequency_hz * seconds
    drift = np.polynomial.legendre.legvander(np.linspace(-1, 1, frames), 2)
    columns = np.column_stack([np.cos(angle), np.sin(angle), drift])
    keep = good.copy()
    limit, rest = smallest_um, np.where(good, bulk, 0.0)
    # Refit without what was rejected until nothing changes, since bursts pull the fit.
    for _ in range(10):
        if keep.sum() <= columns.shape[1] + 2:
            raise InputError(
                "Bulk motion spoils nearly all frames of the recording; it cannot be used."
            )
        solution, *_ = np.linalg.lstsq(columns[keep], bulk[keep], rcond=None)
        rest = np.where(good, bulk - columns @ solution, 0.0)
        centre = np.median(rest[keep])
        spread = 1.4826 * np.median(np.abs(rest[keep] - centre))
        limit = max(smallest_um, deviations * float(spread))
        bad = (np.abs(rest - centre) > limit) | ~good
        bad[1:] |= np.abs(np.diff(rest)) > limit
        for _ in range(margin):
            bad = bad | np.append(bad[1:], False) | np.append(False, bad[:-1])
        if np.array_equal(~bad, keep):
            break
        keep = ~bad
    return FrameRejection(keep, rest, limit)


def sample_pixels(data: Any, *, most: int) -> np.ndarray:
    """(frames, pixels) of evenly chosen rows of the (first) recording, about `most` pixels."""
    rows, columns = data.shape[-2:]
    count = max(1, min(rows, most // max(1, columns)))
    chosen = sorted({int(r) for r in np.linspace(0, rows - 1, count)})
    if len(data.shape) == 4:
        pieces = [np.asarray(data[0, :, r : r + 1, :]) for r in chosen]
    else:
        pieces = [np.asarray(data[:, r : r + 1, :]) for r in chosen]
    return np.concatenate([p.reshape(p.shape[0], -1) for p in pieces], axis=1)
