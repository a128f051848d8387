"""95 % intervals of the agreement by Monte-Carlo, and what makes them wide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from coreg.agreement.draws import Draws
from coreg.agreement.limits import true_limits
from coreg.agreement.measures import MEASURES, plain
from coreg.agreement.regions import RegionRules
from coreg.errors import InputError
from coreg.geometry import Grid, Outline
from coreg.transforms import Transform

Progress = Callable[[float, str], None]

# Draws with one source alone, for its share of the width.
ALONE_DRAWS = 100


@dataclass(frozen=True)
class IntervalInputs:
    """What is known about the predicted and the pathology lesion, and how well.

    Parameters
    ----------
    grid : the imaging plane's grid, rows along depth
    score : (rows, columns) float, per cent; above 0 inside the predicted lesion, NaN without an
        estimate (`PredictedLesion.score`)
    pathology : outlines of one pathology lesion; in slide mm where `transform` is given, else in
        plane mm
    valid : (rows, columns) bool, the region of validity; None means everywhere
    rules : what is kept of the thresholded score
    score_error : standard error of the change, per cent: (rows, columns) before smoothing, or one
        number; None leaves the source out. `map_noise` judges it by the unchanged tissue.
    noise_fwhm_mm : full width at half maximum along (depth, lateral) of the kernel that correlates
        the noise: the displacement's point-spread, or what `map_noise` found
    smoothed_mm : standard deviation of the Gaussian smoothing that the map had (its error and its
        correlation are changed accordingly)
    threshold_sd_percent : uncertainty of the threshold; 0 leaves the source out
    transform : the alignment
    transforms : draws of the alignment (posterior, or refits to landmarks moved by their error)
    alignment_error_mm : where there are no draws, the expected error of a mapped point; the
        lesion is then moved as a whole by a random shift of that root-mean-square length
    outline_sd_mm : standard deviation between observers of where the boundary lies, in the
        outlines' own mm; 0 leaves the source out
    outline_correlation_mm : distance between boundary points over which an observer's error keeps
        its sign (correlation exp(-1/2)); a choice, 2 mm unless measured
    outline_common : share of the observers' variance that is a habit of drawing wide or tight all
        round; a choice, one quarter unless measured
    """

    grid: Grid
    score: np.ndarray
    pathology: Sequence[Outline]
    valid: np.ndarray | None = None
    rules: RegionRules = field(default_factory=RegionRules)
    score_error: np.ndarray | float | None = None
    noise_fwhm_mm: tuple[float, float] = (1.0, 1.0)
    smoothed_mm: float = 0.0
    threshold_sd_percent: float = 0.0
    transform: Transform | None = None
    transforms: Sequence[Transform] = ()
    alignment_error_mm: float = 0.0
    outline_sd_mm: float = 0.0
    outline_correlation_mm: float = 2.0
    outline_common: float = 0.25

    def __post_init__(self) -> None:
        arrays = {"score": self.score, "valid": self.valid}
        if isinstance(self.score_error, np.ndarray):
            arrays["score_error"] = self.score_error
        for name, array in arrays.items():
            if array is not None and array.shape != self.grid.shape:
                raise InputError(
                    f"Expected {name} of the grid's shape {self.grid.shape}, got {array.shape}."
                )
        for name in ("threshold_sd_percent", "alignment_error_mm", "outline_sd_mm", "smoothed_mm"):
            if not getattr(self, name) >= 0:
                raise InputError(f"Expected {name} of at least 0, got {getattr(self, name)}.")
        if not 0 <= self.outline_common <= 1 or not self.outline_correlation_mm > 0:
            raise InputError(
                "Expected outline_common from 0 to 1 and outline_correlation_mm above 0, got "
                f"{self.outline_common} and {self.outline_correlation_mm}."
            )
        if self.transforms and self.transform is None:
            raise InputError("Draws of the alignment need the alignment itself; give `transform`.")
        expected = "plane" if self.transform is None else "slide"
        if any(outline.frame != expected for outline in self.pathology):
            raise InputError(
                f"Expected pathology outlines in {expected} mm; give `transform` exactly when the "
                "outlines are in slide mm."
            )
        if not self.pathology:
            raise InputError(
                "There is no pathology outline, so agreement has no interval; draw the zone first."
            )


@dataclass(frozen=True)
class Interval:
    """One measure: its value, the 95 % interval of the true value, and the draws' own spread.

    value : without disturbance
    low, high : limits, NaN where fewer than half of the draws have a value
    sd : standard deviation of the draws
    bias : mean of the draws minus the value: how far such disturbances push the measure on average
    undefined_share : share of the draws in which the measure has no value
    """

    value: float
    low: float
    high: float
    sd: float
    bias: float
    undefined_share: float


@dataclass(frozen=True)
class Intervals:
    """Intervals of all measures.

    measures : by name (see `MEASURES`)
    shares : measure → source → share of the mean squared change that the sources make one at a
        time (they sum to 1); empty where nothing varies
    sources : the sources of uncertainty that were drawn
    missing : sources for which nothing was known, so that the interval leaves them out
    """

    measures: dict[str, Interval]
    shares: dict[str, dict[str, float]]
    sources: tuple[str, ...]
    missing: tuple[str, ...]
    draws: int
    seed: int

    def __getitem__(self, name: str) -> Interval:
        return self.measures[name]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; NaN becomes None."""
        return {
            "level": 0.95,
            "draws": self.draws,
            "seed": self.seed,
            "sources": list(self.sources),
            "missing": list(self.missing),
            "measures": {
                name: {key: plain(value) for key, value in vars(interval).items()}
                for name, interval in self.measures.items()
            },
            "shares": self.shares,
        }


def intervals(
    inputs: IntervalInputs,
    draws: int = 1000,
    seed: int = 0,
    progress: Progress | None = None,
) -> Intervals:
    """Monte-Carlo intervals of every measure of agreement.

    Each draw disturbs the displacement map, the threshold, the alignment and the outline together
    and measures again. A disturbed map is smoothed once more, as the observed one was, so that what
    smoothing does to the area shows. `coreg.agreement.limits` says how the draws become limits of
    the true value.

    Raises
    ------
    InputError : fewer than 50 draws
    """
    if draws < 50:
        raise InputError(f"Expected at least 50 draws for an interval, got {draws}.")
    source = Draws(inputs, draws, seed)
    point = source.measure()
    results = np.empty((draws, len(MEASURES)))
    alone = min(ALONE_DRAWS, draws)
    total = draws + alone * len(source.sources)
    for i in range(draws):
        results[i] = source.measure(i, source.sources)
        if progress is not None and i % 20 == 0:
            progress(i / total, "draws of all sources")
    spread = {}
    for number, name in enumerate(source.sources):
        if source.sources == (name,):
            spread[name] = results[:alone]
            continue
        spread[name] = np.stack([source.measure(i, (name,)) for i in range(alone)])
        if progress is not None:
            progress((draws + alone * (number + 1)) / total, f"draws of {name} alone")
    limits = true_limits(point, results, source.valid_area_mm2)
    measures = {
        name: _interval(float(point[k]), results[:, k], limits[name])
        for k, name in enumerate(MEASURES)
    }
    shares = {
        name: _shares({s: values[:, k] - point[k] for s, values in spread.items()})
        for k, name in enumerate(MEASURES)
    }
    return Intervals(measures, shares, source.sources, source.missing, draws, seed)


def _interval(value: float, draws: np.ndarray, limits: tuple[float, float]) -> Interval:
    """The limits of one measure with what its draws (n,) did, NaN draws counted apart."""
    known = draws[np.isfinite(draws)]
    undefined = 1 - len(known) / len(draws)
    if np.isnan(limits[0]):
        return Interval(value, np.nan, np.nan, np.nan, np.nan, undefined)
    sd, bias = float(known.std(ddof=1)), float(known.mean() - value)
    return Interval(value, *limits, sd, bias, float(undefined))


def _shares(changes: dict[str, np.ndarray]) -> dict[str, float]:
    """Each source's share of the mean squared change, from draws with that source alone."""
    squares = {}
    for source, change in changes.items():
        known = change[np.isfinite(change)]
        squares[source] = float(np.mean(known**2)) if len(known) > 1 else 0.0
    total = sum(squares.values())
    return {source: v / total for source, v in squares.items()} if total > 1e-20 else {}
