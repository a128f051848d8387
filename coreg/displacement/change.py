"""Change of amplitude from baseline, in µm and in per cent, with its standard error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid


@dataclass(frozen=True)
class Change:
    """Change of the peak-to-peak amplitude; every map is float32 of the amplitude's shape.

    Attributes
    ----------
    um : now - baseline, µm; negative means stiffer than at baseline
    percent : (now - baseline) / baseline, per cent
    um_error, percent_error : standard errors, NaN where none could be had
    baseline : (depth, lateral) float32, the baseline amplitude in µm
    baseline_error : (depth, lateral) float32, its standard error
    low_baseline : (depth, lateral) bool, True where the baseline is too low for a stable ratio
        (already stiff tissue, or little force)
    """

    um: np.ndarray
    percent: np.ndarray
    um_error: np.ndarray
    percent_error: np.ndarray
    baseline: np.ndarray
    baseline_error: np.ndarray
    low_baseline: np.ndarray

    def last(self) -> Change:
        """The change at the last treatment time alone, maps of shape (depth, lateral)."""
        if self.um.ndim == 2:
            return self
        return self.at(-1)

    def at(self, time: int) -> Change:
        """The change at one treatment time of a series."""
        return replace(
            self,
            um=self.um[time],
            percent=self.percent[time],
            um_error=self.um_error[time],
            percent_error=self.percent_error[time],
        )


def change_from_baseline(
    amplitude: np.ndarray,
    baseline: np.ndarray,
    *,
    error: np.ndarray | None = None,
    baseline_error: np.ndarray | None = None,
    repeatability_percent: float = 0.0,
    low_baseline_um: float = 0.0,
    low_baseline_errors: float = 5.0,
) -> Change:
    """Compare amplitude with baseline.

    Parameters
    ----------
    amplitude : (depth, lateral) or (times, depth, lateral), peak to peak in µm
    baseline : (depth, lateral), or (frames, depth, lateral) of several baseline maps, averaged
    error, baseline_error : standard errors of the same shapes. Where `baseline_error` is missing
        and there are at least three baseline maps, their scatter gives it; where `error` is missing
        too, that same scatter stands for one map.
    repeatability_percent : standard deviation between maps of unchanged tissue, in per cent of the
        amplitude, beyond `error` (see `repeatability`): a fit's error knows the noise inside one
        recording, not that push and echoes differ between recordings. Added to both errors.
    low_baseline_um : a baseline below this is flagged low
    low_baseline_errors : so is one below this many of its standard errors; near 5 the ratio of two
        normal variables still has a usable first-order error (Hinkley 1969, from memory)

    Returns
    -------
    Change. NaN in either map gives NaN. A baseline of 0 or less gives NaN per cent.
    """
    now = np.asarray(amplitude, dtype=np.float64)
    base, base_error, scatter = _baseline(baseline, baseline_error)
    if now.ndim not in (2, 3) or now.shape[-2:] != base.shape:
        raise InputError(
            f"Expected amplitude and baseline on one grid, got {now.shape} and {base.shape}; "
            "resample one to the other."
        )
    if error is not None:
        now_error = np.asarray(error, dtype=np.float64)
        if now_error.shape != now.shape:
            raise InputError(
                f"Expected errors of the amplitude's shape {now.shape}, got {now_error.shape}."
            )
    else:
        now_error = np.broadcast_to(scatter, now.shape)
    if not (np.isfinite(repeatability_percent) and repeatability_percent >= 0):
        raise InputError(
            f"Expected repeatability_percent of 0 or more, got {repeatability_percent}."
        )
    maps = 1 if np.ndim(baseline) == 2 else len(baseline)
    share = repeatability_percent / 100
    now_error = np.hypot(now_error, share * now)
    base_error = np.hypot(base_error, share * base / np.sqrt(maps))
    um = now - base
    um_error = np.hypot(now_error, base_error)
    with np.errstate(divide="ignore", invalid="ignore"):
        safe = np.where(base > 0, base, np.nan)
        ratio = now / safe
        percent = 100 * (ratio - 1)
        percent_error = 100 * np.hypot(now_error, ratio * base_error) / safe
        low = ~(base > low_baseline_um) | (base < low_baseline_errors * base_error)
    low &= np.isfinite(base)
    return Change(
        um=um.astype(np.float32),
        percent=percent.astype(np.float32),
        um_error=um_error.astype(np.float32),
        percent_error=percent_error.astype(np.float32),
        baseline=base.astype(np.float32),
        baseline_error=base_error.astype(np.float32),
        low_baseline=low,
    )


def repeatability(change: Change, unchanged: np.ndarray) -> float:
    """Standard deviation between maps of unchanged tissue beyond their standard errors, per cent.

    Parameters
    ----------
    change : of one pair of maps, shape (depth, lateral), or a series whose first is taken
    unchanged : (depth, lateral) bool, tissue that treatment did not reach

    Returns
    -------
    Per cent of the amplitude of one map; 0 where the standard errors explain all of the scatter.
    The scatter is robust (median absolute deviation), its common level is taken out.
    """
    one = change if change.percent.ndim == 2 else change.at(0)
    use = unchanged & np.isfinite(one.percent) & ~one.low_baseline
    if use.sum() < 50:
        raise InputError(
            f"Only {int(use.sum())} valid pixels of unchanged tissue, too few to tell how well "
            "maps repeat; give a larger region."
        )
    values = one.percent[use].astype(np.float64)
    scatter = 1.4826 * np.median(np.abs(values - np.median(values)))
    errors = one.percent_error[use].astype(np.float64)
    known = float(np.median(errors[np.isfinite(errors)])) if np.isfinite(errors).any() else 0.0
    # Both maps scatter, hence the root of two.
    return float(np.sqrt(max(scatter**2 - known**2, 0.0) / 2))


def _baseline(
    baseline: np.ndarray, error: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean baseline, its standard error, and the standard error of a single map."""
    maps = np.asarray(baseline, dtype=np.float64)
    maps = maps[None] if maps.ndim == 2 else maps
    if maps.ndim != 3 or len(maps) == 0:
        raise InputError(
            f"Expected baseline maps of shape (depth, lateral) or (frames, depth, lateral), "
            f"got {np.shape(baseline)}."
        )
    valid = np.isfinite(maps)
    count = valid.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(valid, maps, 0).sum(axis=0) / np.where(count > 0, count, np.nan)
        if error is not None:
            errors = np.asarray(error, dtype=np.float64)
            errors = errors[None] if errors.ndim == 2 else errors
            if errors.shape != maps.shape:
                raise InputError(
                    f"Expected baseline errors of shape {maps.shape}, got {errors.shape}."
                )
            squares = np.where(valid, errors**2, 0).sum(axis=0)
            scatter = np.sqrt(squares / np.where(count > 0, count, np.nan))
        elif len(maps) >= 3:
            # Few baseline maps give a rough scatter at each pixel: share it with the neighbours.
            squares = np.where(valid, (maps - mean) ** 2, 0).sum(axis=0)
            scatter = _smoothed_scatter(squares, count - 1)
        else:
            scatter = np.full(mean.shape, np.nan)
        return mean, scatter / np.sqrt(np.where(count > 0, count, np.nan)), scatter


def _smoothed_scatter(squares: np.ndarray, freedom: np.ndarray) -> np.ndarray:
    """Standard deviation pooled over 5 x 5 pixels."""
    from scipy import ndimage

    freedom = np.maximum(freedom, 0).astype(np.float64)
    top = ndimage.uniform_filter(np.where(freedom > 0, squares, 0.0), 5)
    bottom = ndimage.uniform_filter(freedom, 5)
    return np.sqrt(np.maximum(top, 0) / np.where(bottom > 1e-9, bottom, np.nan))


def stand_in_baseline(
    amplitude: np.ndarray, grid: Grid, focus: tuple[float, float], *, radius_mm: float = 6.0
) -> np.ndarray:
    """A baseline for a final map that has none, from the map's own surroundings.

    The logarithm of the amplitude outside `radius_mm` of the focus is fitted with a quadratic
    surface (Huber's robust loss), which is exact for a Gaussian force over uniform tissue, and
    carried into the focus. A stand-in: it does not know a stiff tumour, and must be named in every
    result that uses it.

    Parameters
    ----------
    amplitude : (depth, lateral) µm; NaN and values of 0 or less are left out
    focus : (depth, lateral) mm

    Returns
    -------
    (depth, lateral) float32 µm
    """
    from scipy.optimize import least_squares

    values = np.asarray(amplitude, dtype=np.float64)
    if values.shape != grid.shape:
        raise InputError(f"Expected a map of shape {grid.shape}, got {values.shape}.")
    rows, columns = np.meshgrid(grid.rows - focus[0], grid.columns - focus[1], indexing="ij")
    scale = max(grid.size) / 2
    u, v = rows / scale, columns / scale
    surface = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    use = np.isfinite(values) & (values > 0) & (np.hypot(rows, columns) > radius_mm)
    if use.sum() < 50:
        raise InputError(
            f"Fewer than 50 valid pixels lie farther than {radius_mm:g} mm from the focus, too few "
            "to stand in for a baseline; record one."
        )
    columns_used, logs = surface[use], np.log(values[use])
    start, *_ = np.linalg.lstsq(columns_used, logs, rcond=None)
    fit = least_squares(
        lambda c: columns_used @ c - logs,
        start,
        jac=lambda _: columns_used,
        loss="huber",
        f_scale=0.2,
    )
    return np.exp(surface @ fit.x).astype(np.float32)
