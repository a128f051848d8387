"""The draws of the Monte-Carlo: each source of uncertainty with its own random stream."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from coreg.agreement.perturb import FWHM_PER_SD, MovableRegion, NoiseFields, PullBack
from coreg.agreement.regions import (
    NO_ESTIMATE,
    level_region,
    measure_regions,
    outlines_region,
    valid_region,
)
from coreg.geometry import Grid

if TYPE_CHECKING:
    from coreg.agreement.monte_carlo import IntervalInputs

ALIGNMENT, OUTLINE, NOISE, THRESHOLD = (
    "alignment",
    "outline",
    "displacement noise",
    "threshold",
)
SOURCES = (ALIGNMENT, OUTLINE, NOISE, THRESHOLD)
_MOST_DEVIATIONS = 4.0


class Draws:
    """Disturbs the inputs and measures; draw i of a source is the same alone or with others."""

    def __init__(self, inputs: IntervalInputs, draws: int, seed: int) -> None:
        self._inputs, self._draws = inputs, draws
        self._valid = valid_region(inputs.valid, inputs.grid)
        self.valid_area_mm2 = float(self._valid.area)
        known = {
            ALIGNMENT: bool(inputs.transforms) or inputs.alignment_error_mm > 0,
            OUTLINE: inputs.outline_sd_mm > 0,
            NOISE: inputs.score_error is not None and bool(np.any(_finite(inputs.score_error))),
            THRESHOLD: inputs.threshold_sd_percent > 0,
        }
        self.sources = tuple(source for source in SOURCES if known[source])
        self.missing = tuple(source for source in SOURCES if not known[source])
        streams = dict(zip(SOURCES, np.random.default_rng(seed).spawn(len(SOURCES)), strict=True))
        self._set_up_pathology(streams)
        self._set_up_prediction(streams)

    def measure(self, draw: int = 0, sources: tuple[str, ...] = ()) -> np.ndarray:
        """All `MEASURES` of one draw of the named sources; of the inputs themselves for none."""
        return measure_regions(
            self._predicted(draw, sources), self._pathology(draw, sources), self._valid
        )

    # --- pathology ---------------------------------------------------------------------------

    def _set_up_pathology(self, streams: dict[str, np.random.Generator]) -> None:
        inputs, rng = self._inputs, streams[ALIGNMENT]
        step = max(0.05, min(0.5, float(np.mean(inputs.grid.spacing))))
        self._movable = MovableRegion(outlines_region(tuple(inputs.pathology)), step)
        self._pull = None
        if inputs.transform is not None:
            self._pull = PullBack(inputs.transform, self._movable.points, inputs.transforms)
        if ALIGNMENT in self.sources and inputs.transforms:
            # Every draw of the posterior is used before one is used again.
            rounds = -(-self._draws // len(inputs.transforms))
            order = [rng.permutation(len(inputs.transforms)) for _ in range(rounds)]
            self._which = np.concatenate(order)[: self._draws]
        sd = inputs.alignment_error_mm / np.sqrt(2)
        self._shifts = rng.normal(scale=sd, size=(self._draws, 2))
        self._boundary = self._movable.displacements(
            self._draws if OUTLINE in self.sources else 1,
            inputs.outline_sd_mm,
            inputs.outline_correlation_mm,
            inputs.outline_common,
            streams[OUTLINE],
        )
        self._undisturbed_pathology = self._moved_pathology(0, ())

    def _pathology(self, draw: int, sources: tuple[str, ...]) -> Any:
        if ALIGNMENT not in sources and OUTLINE not in sources:
            return self._undisturbed_pathology
        return self._moved_pathology(draw, sources)

    def _moved_pathology(self, draw: int, sources: tuple[str, ...]) -> Any:
        points = self._movable.points
        if OUTLINE in sources:
            points = self._movable.moved(self._boundary[draw])
        posterior = ALIGNMENT in sources and bool(self._inputs.transforms)
        if self._pull is not None:
            points = self._pull(points, int(self._which[draw]) if posterior else None)
        if ALIGNMENT in sources and not posterior:
            points = points + self._shifts[draw]
        return self._movable.region(points)

    # --- prediction --------------------------------------------------------------------------

    def _set_up_prediction(self, streams: dict[str, np.random.Generator]) -> None:
        inputs = self._inputs
        self._seeds = streams[NOISE].integers(2**63, size=self._draws)
        self._steps = streams[THRESHOLD].normal(scale=inputs.threshold_sd_percent, size=self._draws)
        kernel = np.maximum(np.array(inputs.noise_fwhm_mm) / FWHM_PER_SD, 1e-6)
        smoothed = np.hypot(kernel, inputs.smoothed_mm)
        error = np.zeros(inputs.grid.shape, dtype=np.float32)
        if NOISE in self.sources:
            # Smoothing averages noise: each axis keeps kernel / smoothed of the variance.
            error[:] = float(np.sqrt(np.prod(kernel / smoothed))) * _finite(inputs.score_error)
        window = self._reach(error)
        self._grid = _cut_grid(inputs.grid, window)
        self._score = np.asarray(inputs.score, dtype=np.float32)[window]
        self._error = error[window]
        self._undisturbed_prediction = level_region(self._score, self._grid, inputs.rules)
        shapely.prepare(self._undisturbed_prediction)
        # A disturbed map is smoothed like the observed one, which takes the area once more along.
        self._smoothed_again = _smoothed(self._score, self._grid, inputs.smoothed_mm)
        if NOISE in self.sources:
            self._fields = NoiseFields(
                self._grid, (float(smoothed[0]), float(smoothed[1])), streams[NOISE]
            )

    def _reach(self, error: np.ndarray) -> tuple[slice, slice]:
        """The box of pixels that noise could bring into the lesion.

        Beyond `_MOST_DEVIATIONS` there are only specks, rare and far smaller than any lesion.
        """
        most = _MOST_DEVIATIONS * np.hypot(error, self._inputs.threshold_sd_percent)
        near = np.nan_to_num(self._inputs.score, nan=NO_ESTIMATE) + most > 0
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        if not len(rows):
            return slice(0, 1), slice(0, 1)
        # One pixel around it, so that the outline is the same as on the whole grid.
        return (
            slice(max(rows[0] - 1, 0), rows[-1] + 2),
            slice(max(columns[0] - 1, 0), columns[-1] + 2),
        )

    def _predicted(self, draw: int, sources: tuple[str, ...]) -> Any:
        disturbed = tuple(source for source in sources if source in (NOISE, THRESHOLD))
        if not disturbed:
            return self._undisturbed_prediction
        level = self._score
        if NOISE in disturbed:
            rng = np.random.default_rng(self._seeds[draw])
            level = self._smoothed_again + self._error * self._fields.draw(rng)
        if THRESHOLD in disturbed:
            level = level + np.float32(self._steps[draw])
        return self._seen(level_region(level, self._grid, self._inputs.rules))

    def _seen(self, region: Any) -> Any:
        """Without the pieces that a draw adds apart from the observed lesion.

        Noise on a noisy map makes specks that the truth has no reason to have: where the observed
        map shows no lesion, none is taken to be.
        """
        pieces = shapely.get_parts(region)
        if len(pieces) < 2 or self._undisturbed_prediction.is_empty:
            return region
        seen = shapely.intersects(self._undisturbed_prediction, pieces)
        return shapely.multipolygons(pieces[seen])


def _smoothed(values: np.ndarray, grid: Grid, sd_mm: float) -> np.ndarray:
    """Gaussian smoothing over the pixels that have an estimate; NaN stays NaN."""
    from scipy import ndimage

    if not sd_mm > 0:
        return values
    known = np.isfinite(values)
    sd = [sd_mm / spacing for spacing in grid.spacing]
    weight = ndimage.gaussian_filter(known.astype(np.float32), sd)
    total = ndimage.gaussian_filter(np.where(known, values, np.float32(0)), sd)
    return np.where(known, total / np.maximum(weight, 1e-6), np.float32(np.nan))


def _cut_grid(grid: Grid, window: tuple[slice, slice]) -> Grid:
    first = grid.to_mm((window[0].start, window[1].start))[0]
    rows = min(window[0].stop, grid.shape[0]) - window[0].start
    columns = min(window[1].stop, grid.shape[1]) - window[1].start
    return Grid((rows, columns), grid.spacing, (first[0], first[1]), grid.frame)


def _finite(values: Any) -> np.ndarray:
    return np.nan_to_num(np.asarray(values, dtype=np.float64), nan=0.0, posinf=0.0)
