"""The predicted lesion: where displacement fell, by a stated rule."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

import numpy as np

from coreg.displacement.change import Change
from coreg.errors import InputError
from coreg.geometry import Grid, Outline, outlines_from_mask

Rule = Literal["threshold", "otsu", "half-way", "growing"]
RULES: tuple[Rule, ...] = ("threshold", "otsu", "half-way", "growing")


@dataclass(frozen=True)
class LesionOptions:
    """Every choice that makes a predicted lesion; stored with it.

    Attributes
    ----------
    rule : "threshold": change at or below `threshold_percent`; "otsu": threshold from the two
        classes of the change map; "half-way": half-way between plateau and background; "growing":
        region grown from the focus on a map with edge-preserving smoothing, up to half-way between
        region and surroundings
    threshold_percent : relative change, below 0; used by "threshold"
    standard_errors : k; the change must also be more than k standard errors below 0 (0: not asked)
    smallest_change_percent : the rules that choose their own threshold never go above this
    focus : (depth, lateral) mm of the focus; None where unknown
    focus_radius_mm : a region counts as at the focus if it comes within this distance of it
    window_mm : the rules that choose their own threshold look at pixels within this radius of the
        focus, where the focus is known; None for the whole plane
    connected_to_focus : keep only the region at the focus
    smallest_mm2 : smaller regions are dropped
    fill_holes_mm2 : holes up to this area, pixels without an estimate among them, are filled
    smooth_mm : standard deviation of the Gaussian smoothing of change and baseline beforehand
    edge_weight : strength of the edge-preserving smoothing that "growing" adds, in standard errors
        of the change
    low_baseline : pixels whose baseline is too low for a stable ratio: "strict" asks that the
        change be at least two standard errors where those are known, "keep" treats them like all
        others, "leave out" drops them
    """

    rule: Rule = "threshold"
    threshold_percent: float = -40.0
    standard_errors: float = 0.0
    smallest_change_percent: float = -15.0
    focus: tuple[float, float] | None = None
    focus_radius_mm: float = 2.0
    window_mm: float | None = 10.0
    connected_to_focus: bool = False
    smallest_mm2: float = 1.0
    fill_holes_mm2: float = 1.0
    smooth_mm: float = 0.3
    edge_weight: float = 4.0
    low_baseline: Literal["strict", "keep", "leave out"] = "strict"

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise InputError(
                f"Unknown rule {self.rule!r} for the predicted lesion; choose {', '.join(RULES)}."
            )
        if not -100 < self.threshold_percent < 0:
            raise InputError(
                f"Expected threshold_percent between -100 and 0, got {self.threshold_percent:g}; "
                "a negative change means stiffer than at baseline."
            )
        if not -100 < self.smallest_change_percent < 0:
            raise InputError(
                "Expected smallest_change_percent between -100 and 0, "
                f"got {self.smallest_change_percent:g}."
            )
        if self.low_baseline not in ("strict", "keep", "leave out"):
            raise InputError(
                f"Unknown low_baseline {self.low_baseline!r}; choose strict, keep or leave out."
            )
        lengths = (
            "standard_errors",
            "focus_radius_mm",
            "smallest_mm2",
            "fill_holes_mm2",
            "smooth_mm",
            "edge_weight",
        )
        for name in lengths:
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise InputError(f"Expected {name} of 0 or more, got {value}.")
        if self.window_mm is not None and not self.window_mm > 0:
            raise InputError(f"Expected window_mm above 0, got {self.window_mm}.")
        if self.focus is not None:
            focus = tuple(float(v) for v in self.focus)
            if len(focus) != 2 or not np.isfinite(focus).all():
                raise InputError(f"Expected focus as (depth, lateral) in mm, got {self.focus}.")
            object.__setattr__(self, "focus", focus)
        elif self.connected_to_focus:
            raise InputError(
                "A lesion connected to the focus needs the focus; give its depth and lateral in mm."
            )

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `LesionOptions(**d)` restores it."""
        return asdict(self)


@dataclass(frozen=True)
class PredictedLesion:
    """A predicted lesion, or an empty mask with the reason.

    Attributes
    ----------
    mask : (depth, lateral) bool on `grid`
    outlines : sub-pixel outlines in plane mm, zone "predicted lesion", holes included
    threshold_percent : the relative change used as the limit; NaN where no rule could find one
    rule : the rule's name
    options : every choice
    valid : (depth, lateral) bool, where a change could be judged at all
    score : (depth, lateral) float32, by how many per cent each pixel passes (> 0) or misses the
        rule; NaN where there is no estimate
    change_percent : (depth, lateral) float32, the smoothed relative change the rule looked at
    reason : "" or why there is no lesion
    notes : what was done that the reader should know
    """

    mask: np.ndarray
    grid: Grid
    outlines: tuple[Outline, ...]
    threshold_percent: float
    rule: str
    options: LesionOptions
    valid: np.ndarray
    score: np.ndarray
    change_percent: np.ndarray
    reason: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def area(self) -> float:
        """Area inside the sub-pixel outlines, mm²."""
        return float(sum(outline.area for outline in self.outlines))


def predict_lesion(
    change: Change,
    options: LesionOptions | None = None,
    *,
    grid: Grid,
    valid: np.ndarray | None = None,
) -> PredictedLesion:
    """Find the predicted lesion in a change map.

    Parameters
    ----------
    change : maps of shape (depth, lateral), or a series whose last map is taken
    options : defaults where None
    grid : where the maps lie, frame "plane"
    valid : (depth, lateral) bool, False where the estimate is not to be trusted (see
        `quality_mask`); NaN in the change is never trusted

    Returns
    -------
    PredictedLesion; an empty mask with a reason where nothing passes the rule.
    """
    from coreg.displacement import rules

    options = options or LesionOptions()
    last = change.last()
    if last.percent.shape != grid.shape:
        raise InputError(
            f"Expected a change map of the grid's shape {grid.shape}, got {last.percent.shape}."
        )
    trusted = np.isfinite(last.percent)
    if valid is not None:
        if np.shape(valid) != grid.shape:
            raise InputError(
                f"Expected a quality mask of shape {grid.shape}, got {np.shape(valid)}."
            )
        trusted &= np.asarray(valid, dtype=bool)
    notes: list[str] = []
    if options.low_baseline == "leave out":
        trusted &= ~last.low_baseline
    low_share = float(last.low_baseline[np.isfinite(last.percent)].mean()) if trusted.any() else 0.0
    if low_share > 0:
        notes.append(
            f"{100 * low_share:.0f} % of the pixels have a baseline too low for a stable ratio "
            f"({options.low_baseline})."
        )
    if not trusted.any():
        return _nothing(
            grid, options, trusted, "No pixel has a trusted change of displacement.", notes
        )
    percent, limit, reason = rules.find_limit(last, trusted, grid, options)
    if reason:
        return _nothing(grid, options, trusted, reason, notes, percent)
    score = _score(last, percent, limit, trusted, options)
    mask, reason = _select(score > 0, grid, options)
    if not mask.any():
        return _nothing(grid, options, trusted, reason, notes, percent, limit, score)
    field_map = np.nan_to_num(score / 100.0, nan=-1.0)
    field_map = np.where(mask, np.maximum(field_map, 1e-6), np.minimum(field_map, -1e-6))
    outlines = outlines_from_mask(
        field_map,
        grid,
        level=0.0,
        smallest_mm2=0.0,
        zone="predicted lesion",
        made_by=f"{options.rule} at {limit:.1f} %",
    )
    if not trusted[mask].all():
        share = 100 * (1 - trusted[mask].mean())
        notes.append(f"{share:.1f} % of the lesion was filled in where there is no estimate.")
    return PredictedLesion(
        mask,
        grid,
        tuple(outlines),
        float(limit),
        options.rule,
        options,
        trusted,
        score.astype(np.float32),
        percent.astype(np.float32),
        "",
        tuple(notes),
    )


def _nothing(
    grid: Grid,
    options: LesionOptions,
    trusted: np.ndarray,
    reason: str,
    notes: list[str],
    percent: np.ndarray | None = None,
    limit: float = float("nan"),
    score: np.ndarray | None = None,
) -> PredictedLesion:
    blank = np.full(grid.shape, np.nan, dtype=np.float32)
    return PredictedLesion(
        np.zeros(grid.shape, dtype=bool),
        grid,
        (),
        float(limit),
        options.rule,
        options,
        trusted,
        blank if score is None else score.astype(np.float32),
        blank if percent is None else percent.astype(np.float32),
        reason,
        tuple(notes),
    )


def _score(
    change: Change, percent: np.ndarray, limit: float, trusted: np.ndarray, options: LesionOptions
) -> np.ndarray:
    """By how many per cent each pixel passes every part of the rule; NaN where not trusted."""
    score = limit - percent
    errors = np.nan_to_num(change.percent_error, nan=0.0)
    if options.standard_errors > 0:
        score = np.minimum(score, -percent - options.standard_errors * errors)
    if options.low_baseline == "strict":
        strict = -percent - max(2.0, options.standard_errors) * errors
        score = np.where(change.low_baseline, np.minimum(score, strict), score)
    return np.where(trusted, score, np.nan)


def _select(mask: np.ndarray, grid: Grid, options: LesionOptions) -> tuple[np.ndarray, str]:
    """Fill small holes, drop small regions, keep what is at the focus; and why nothing is left."""
    from scipy import ndimage

    if not mask.any():
        return mask, f"No pixel passes the rule {options.rule!r}."
    if options.fill_holes_mm2 > 0:
        holes, count = ndimage.label(ndimage.binary_fill_holes(mask) & ~mask)
        areas = ndimage.sum_labels(np.ones(mask.shape), holes, np.arange(count + 1))
        fill = areas * grid.pixel_area <= options.fill_holes_mm2
        fill[0] = False
        mask = mask | fill[holes]
    regions, count = ndimage.label(mask)
    areas = ndimage.sum_labels(np.ones(mask.shape), regions, np.arange(count + 1))
    keep = areas * grid.pixel_area >= options.smallest_mm2
    keep[0] = False
    if not keep.any():
        largest = areas[1:].max() * grid.pixel_area
        return np.zeros_like(mask), (
            f"The largest region that passes has {largest:.2f} mm², "
            f"less than the smallest size asked for ({options.smallest_mm2:g} mm²)."
        )
    if options.connected_to_focus and options.focus is not None:
        distance = np.hypot(
            grid.rows[:, None] - options.focus[0], grid.columns[None, :] - options.focus[1]
        )
        nearest = ndimage.minimum(distance, regions, np.arange(count + 1))
        nearest = np.where(keep, nearest, np.inf)
        best = int(np.argmin(nearest))
        if not nearest[best] <= options.focus_radius_mm:
            return np.zeros_like(mask), (
                f"No region that passes lies within {options.focus_radius_mm:g} mm of the focus; "
                f"the nearest is {nearest[best]:.1f} mm away."
            )
        keep[:] = False
        keep[best] = True
    return keep[regions], ""
