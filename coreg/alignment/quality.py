"""How good an alignment is: errors in plane millimetres, folding, shrinkage, a verdict in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from coreg.alignment.landmarks import LandmarkFit
from coreg.alignment.linear import fit_linear, principal_stretches, shrinkage_of
from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Outline, mask_from_outlines
from coreg.transforms import Affine, Transform

Verdict = Literal["good", "doubtful", "not usable"]

# Most points at which an error map is computed; it is interpolated between them.
_MOST_POINTS = 2500


@dataclass(frozen=True)
class QualityOptions:
    """Where the verdicts change (own choice, no source).

    good_share, usable_share : expected error over the lesion's equivalent diameter up to which an
        alignment is good, and usable at all
    area_range : local area of slide per plane, relative to the affine part, that tissue allows
    least_overlap : Dice of the tissue outlines below which something is wrong
    """

    good_share: float = 0.10
    usable_share: float = 0.25
    area_range: tuple[float, float] = (0.5, 2.0)
    least_overlap: float = 0.85


@dataclass(frozen=True)
class AlignmentQuality:
    """What can be said of an alignment. All errors are mm in the plane; NaN where not known.

    Parameters
    ----------
    leave_one_out_mm : (n,) at the landmarks; empty without landmarks
    worst_landmark, suspects : names; "" and () without landmarks
    expected_error_mm : (rows, columns) root mean square target error on `grid`, NaN outside `mask`
    error_mm : median of the error over the mask that the draws let expect
    error_interval_mm : 95 % interval of the median error over the mask
    area_range : least and largest local area of slide per plane, relative to the affine part
    folded_share : share of the mask's points where the map turns over; 0 in a sound alignment
    shrinkage : fraction by which the section is smaller than the plane along (depth, lateral)
    stretches : largest and smallest slide length per plane length of the affine part
    inverse_error_mm : largest distance after going to the slide and back
    tissue_overlap, tissue_distance_mm : Dice of the tissue outlines, mean distance of their edges
    diameter_mm : equivalent diameter of the mask that the verdict refers to
    verdict, reasons : "good", "doubtful" or "not usable", and why, in sentences
    """

    leave_one_out_mm: np.ndarray
    worst_landmark: str
    suspects: tuple[str, ...]
    grid: Grid
    mask: np.ndarray
    expected_error_mm: np.ndarray
    error_mm: float
    error_interval_mm: tuple[float, float]
    area_range: tuple[float, float]
    folded_share: float
    mirrored: bool
    shrinkage: tuple[float, float]
    stretches: tuple[float, float]
    inverse_error_mm: float
    tissue_overlap: float
    tissue_distance_mm: float
    diameter_mm: float
    verdict: Verdict
    reasons: tuple[str, ...]

    @property
    def leave_one_out_median_mm(self) -> float:
        """Median of the known leave-one-out errors; NaN where there is none."""
        known = self.leave_one_out_mm[np.isfinite(self.leave_one_out_mm)]
        return float(np.median(known)) if len(known) else float("nan")

    def summary(self) -> dict[str, Any]:
        """The numbers as plain values, without the maps."""
        return {
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "error_mm": self.error_mm,
            "error_interval_mm": list(self.error_interval_mm),
            "leave_one_out_mm": self.leave_one_out_mm.tolist(),
            "leave_one_out_median_mm": self.leave_one_out_median_mm,
            "worst_landmark": self.worst_landmark,
            "suspects": list(self.suspects),
            "area_range": list(self.area_range),
            "folded_share": self.folded_share,
            "mirrored": self.mirrored,
            "shrinkage": list(self.shrinkage),
            "stretches": list(self.stretches),
            "inverse_error_mm": self.inverse_error_mm,
            "tissue_overlap": self.tissue_overlap,
            "tissue_distance_mm": self.tissue_distance_mm,
            "diameter_mm": self.diameter_mm,
        }


def assess(
    transform: Transform,
    grid: Grid,
    mask: np.ndarray | None = None,
    *,
    landmarks: LandmarkFit | None = None,
    draws: Sequence[Transform] = (),
    tissue_plane: Sequence[Outline] = (),
    tissue_slide: Sequence[Outline] = (),
    options: QualityOptions | None = None,
) -> AlignmentQuality:
    """Judge a map over part of the imaging plane.

    Parameters
    ----------
    grid : of the imaging plane
    mask : (rows, columns) bool, where the error matters (the lesion); None is the whole grid
    landmarks : the landmark fit whose leave-one-out errors are to count
    draws : maps from `sample_transforms`; without them no error is expected over the mask
    tissue_plane, tissue_slide : outlines of the tissue in both frames, where there are any

    Returns
    -------
    AlignmentQuality. An empty mask raises `InputError`.
    """
    options = options or QualityOptions()
    if grid.frame != "plane":
        raise FrameError(f"Expected a grid in plane mm, got frame {grid.frame!r}.")
    mask = np.ones(grid.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if mask.shape != grid.shape:
        raise InputError(f"Expected a mask of shape {grid.shape}, got {mask.shape}.")
    if not mask.any():
        raise InputError(
            "The region to judge the alignment over is empty; draw it, or judge the whole plane."
        )
    points = _spread_points(grid, mask)
    affine = affine_part(transform, points)
    jacobian = np.linalg.det(transform.jacobian(points)) / np.linalg.det(affine.matrix)
    back = transform.to_plane(transform.to_slide(points))
    lost = np.isnan(back).any(axis=1)
    inverse = np.inf if lost.any() else float(np.linalg.norm(back - points, axis=1).max())
    errors = _draw_errors(transform, points, draws)
    medians = np.median(errors, axis=1) if len(draws) else np.full(1, np.nan)
    overlap, distance = _tissue(transform, grid, tissue_plane, tissue_slide)
    diameter = 2 * float(np.sqrt(mask.sum() * grid.pixel_area / np.pi))
    values: dict[str, Any] = {
        "leave_one_out_mm": np.empty(0) if landmarks is None else landmarks.leave_one_out,
        "worst_landmark": "" if landmarks is None else landmarks.worst,
        "suspects": () if landmarks is None else landmarks.suspects,
        "grid": grid,
        "mask": mask,
        "expected_error_mm": _error_map(grid, mask, points, errors),
        "error_mm": float(np.median(medians)),
        "error_interval_mm": tuple(float(v) for v in np.percentile(medians, [2.5, 97.5])),
        "area_range": (float(jacobian.min()), float(jacobian.max())),
        "folded_share": float((jacobian <= 0).mean()),
        "mirrored": affine.mirrored,
        "shrinkage": shrinkage_of(affine.matrix),
        "stretches": principal_stretches(affine.matrix),
        "inverse_error_mm": inverse,
        "tissue_overlap": overlap,
        "tissue_distance_mm": distance,
        "diameter_mm": diameter,
    }
    verdict, reasons = _judge(values, "" if landmarks is None else landmarks.reason, options)
    return AlignmentQuality(**values, verdict=verdict, reasons=reasons)


def affine_part(transform: Transform, points: np.ndarray) -> Affine:
    """The affine map that is nearest to a map over plane points (n, 2)."""
    if isinstance(transform, Affine):
        return transform
    return fit_linear(points, transform.to_slide(points), "affine")


def inverse_consistency(forward: Transform, backward: Transform, points: np.ndarray) -> np.ndarray:
    """Distance in plane mm between plane points and where two independent maps bring them back.

    `forward` is plane to slide; `backward` was found with the images' roles swapped, so its
    `to_slide` takes slide mm to plane mm. Returns (n,).
    """
    returned = backward.to_slide(forward.to_slide(points))
    return np.asarray(np.linalg.norm(returned - points, axis=1))


def _spread_points(grid: Grid, mask: np.ndarray) -> np.ndarray:
    """Pixel centres of the mask, thinned on a regular pattern to a number that computes fast."""
    step = max(1, int(np.ceil(np.sqrt(mask.sum() / _MOST_POINTS))))
    index = np.argwhere(mask)
    thin = index[(index[:, 0] % step == 0) & (index[:, 1] % step == 0)]
    if len(thin) < 4:
        thin = index
    if len(thin) < 4:  # a mask of a few pixels: its surroundings tell the map's local shape
        around = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)])
        thin = (thin[:1] + around).astype(np.int64)
    return grid.to_mm(thin)


def _draw_errors(
    transform: Transform, points: np.ndarray, draws: Sequence[Transform]
) -> np.ndarray:
    """Distance in plane mm by which each draw differs from the map; (draws, n)."""
    here = transform.to_slide(points)
    inverse = np.linalg.inv(transform.jacobian(points)) if len(draws) else np.empty((0, 2, 2))
    errors = np.empty((len(draws), len(points)))
    for i, draw in enumerate(draws):
        moved = draw.to_slide(points) - here
        errors[i] = np.linalg.norm(np.einsum("nij,nj->ni", inverse, moved), axis=1)
    return errors


def _error_map(grid: Grid, mask: np.ndarray, points: np.ndarray, errors: np.ndarray) -> np.ndarray:
    out = np.full(grid.shape, np.nan)
    if not len(errors):
        return out
    from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

    values = np.sqrt((errors**2).mean(axis=0))
    where = grid.to_mm(np.argwhere(mask))
    filled = NearestNDInterpolator(points, values)(where)
    if np.ptp(points, axis=0).min() > 0:
        smooth = LinearNDInterpolator(points, values)(where)
        filled = np.where(np.isfinite(smooth), smooth, filled)
    out[mask] = filled
    return out


def _tissue(
    transform: Transform,
    grid: Grid,
    tissue_plane: Sequence[Outline],
    tissue_slide: Sequence[Outline],
) -> tuple[float, float]:
    """Dice overlap of the tissue and mean distance between its edges, inside the grid."""
    if not tissue_plane or not tissue_slide:
        return float("nan"), float("nan")
    from scipy.ndimage import binary_erosion, distance_transform_edt

    plane = mask_from_outlines(tissue_plane, grid)
    region = mask_from_outlines([transform.outline_to_plane(o) for o in tissue_slide], grid)
    total = plane.sum() + region.sum()
    if not plane.any() or not region.any():
        return 0.0, float("nan")
    edges = [m & ~binary_erosion(m, border_value=1) for m in (plane, region)]
    if not edges[0].any() or not edges[1].any():
        return float(2 * (plane & region).sum() / total), float("nan")
    away = [distance_transform_edt(~edge, sampling=grid.spacing) for edge in edges]
    distance = np.concatenate([away[1][edges[0]], away[0][edges[1]]]).mean()
    return float(2 * (plane & region).sum() / total), float(distance)


def _judge(
    values: dict[str, Any], reason: str, options: QualityOptions
) -> tuple[Verdict, tuple[str, ...]]:
    bad: list[str] = []
    doubts: list[str] = [reason] if reason else []
    fine: list[str] = []
    diameter = values["diameter_mm"]
    left_out = values["leave_one_out_mm"]
    known = left_out[np.isfinite(left_out)]
    error, what = values["error_mm"], "expected error over the region"
    if not np.isfinite(error) and len(known):
        error, what = float(np.median(known)), "median leave-one-out error"
    if values["folded_share"] > 0:
        bad.append(f"The map folds over {100 * values['folded_share']:.1f} % of the region.")
    if not np.isfinite(error):
        doubts.append("Nothing states the error: place landmarks, or keep some to test with.")
    else:
        share = error / diameter
        text = f"The {what} is {error:.2f} mm, {100 * share:.0f} % of its {diameter:.1f} mm across."
        groups = (fine, doubts, bad)
        groups[(share > options.good_share) + (share > options.usable_share)].append(text)
    low, high = values["area_range"]
    if values["folded_share"] == 0 and not (
        options.area_range[0] <= low and high <= options.area_range[1]
    ):
        doubts.append(f"The local area changes by factors of {low:.2f} to {high:.2f}.")
    for name in values["suspects"]:
        doubts.append(f"Landmark {name!r} does not fit the others.")
    if values["tissue_overlap"] < options.least_overlap:
        doubts.append(
            f"The tissue outlines overlap by a Dice of only {values['tissue_overlap']:.2f}."
        )
    if bad:
        return "not usable", tuple(bad + doubts)
    if doubts:
        return "doubtful", tuple(doubts + fine)
    return "good", tuple(fine)
