"""Rigid motion of the imaging plane between treatment times, estimated and undone.

Estimated on B-mode frames where there are any, else on the amplitude maps. Frames that breathing
spoils, which no rigid motion explains, are rejected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample


@dataclass(frozen=True)
class Motion:
    """Rigid motion of each frame against the reference frame.

    Attributes
    ----------
    shifts : (frames, 2) float64 mm; the tissue moved by (depth, lateral) since the reference
    angles_deg : (frames,) turn about `centre`, positive from depth towards lateral
    centre : (depth, lateral) mm
    similarity : (frames,) correlation with the reference after correction, -1 to 1
    keep : (frames,) bool, False where the frame was rejected
    reference : index of the reference frame
    reasons : (frames,) "" or why a frame was rejected
    """

    shifts: np.ndarray
    angles_deg: np.ndarray
    centre: tuple[float, float]
    similarity: np.ndarray
    keep: np.ndarray
    reference: int
    reasons: tuple[str, ...]

    def moved(self, frame: int, points: np.ndarray) -> np.ndarray:
        """Where points (n, 2) of the reference frame lie in another frame, mm."""
        angle = np.radians(self.angles_deg[frame])
        cosine, sine = np.cos(angle), np.sin(angle)
        turn = np.array([[cosine, -sine], [sine, cosine]])
        return (points - self.centre) @ turn.T + self.centre + self.shifts[frame]

    def summary(self) -> str:
        """One sentence for the report."""
        size = np.hypot(*self.shifts[self.keep].T)
        turns = np.abs(self.angles_deg[self.keep])
        return (
            f"Motion against frame {self.reference}: up to {size.max(initial=0.0):.2f} mm and "
            f"{turns.max(initial=0.0):.1f}°, undone; {int((~self.keep).sum())} of "
            f"{len(self.keep)} frames rejected."
        )


def estimate_motion(
    frames: np.ndarray,
    grid: Grid,
    *,
    reference: int = 0,
    turns: bool = True,
    largest_shift_mm: float = 5.0,
    smallest_similarity: float = 0.4,
    progress: Callable[[float, str], None] | None = None,
) -> Motion:
    """Estimate rigid motion between frames.

    Parameters
    ----------
    frames : (frames, depth, lateral), B-mode or amplitude maps; NaN is filled from its neighbours
    grid : of the frames
    reference : index of the frame that all others are compared with
    turns : also estimate a turn in the plane
    largest_shift_mm : a frame that moved further is rejected
    smallest_similarity : a frame that correlates less with the reference once corrected is rejected

    Notes
    -----
    A start from phase correlation (skimage), refined with SimpleITK: rigid transform, normalised
    correlation, gradient descent on a two-level pyramid.
    """
    stack = np.asarray(frames, dtype=np.float32)
    if stack.ndim != 3 or stack.shape[1:] != grid.shape:
        raise InputError(
            f"Expected frames of shape (frames, {grid.shape[0]}, {grid.shape[1]}), got "
            f"{stack.shape}."
        )
    if not 0 <= reference < len(stack):
        raise InputError(f"Expected a reference frame of 0 to {len(stack) - 1}, got {reference}.")
    centre = tuple(np.array(grid.origin) + (np.array(grid.shape) - 1) * grid.spacing / 2)
    fixed = _filled(stack[reference])
    shifts, angles = np.zeros((len(stack), 2)), np.zeros(len(stack))
    similarity, reasons = np.ones(len(stack)), [""] * len(stack)
    for i, frame in enumerate(stack):
        if progress is not None:
            progress(i / len(stack), f"motion of frame {i + 1} of {len(stack)}")
        if i == reference:
            continue
        if not np.isfinite(frame).any():
            similarity[i], reasons[i] = np.nan, "no valid pixel"
            continue
        shifts[i], angles[i] = _register(fixed, _filled(frame), grid, turns)
        one = Motion(shifts, angles, (centre[0], centre[1]), similarity, np.ones(0), 0, ())
        back = _pulled(frame, grid, one, i)
        similarity[i] = _correlation(stack[reference], back)
        size = float(np.hypot(*shifts[i]))
        if size > largest_shift_mm:
            reasons[i] = f"moved by {size:.1f} mm"
        elif not similarity[i] >= smallest_similarity:
            reasons[i] = f"correlates only {similarity[i]:.2f} with the reference"
    keep = np.array([not r for r in reasons])
    return Motion(
        shifts, angles, (centre[0], centre[1]), similarity, keep, reference, tuple(reasons)
    )


def correct_motion(maps: np.ndarray, motion: Motion, grid: Grid) -> np.ndarray:
    """Bring every map back to the reference frame.

    Parameters
    ----------
    maps : (frames, depth, lateral) amplitude, error or B-mode maps

    Returns
    -------
    float32 of the same shape; NaN outside the moved plane and in all of a rejected frame
    """
    stack = np.asarray(maps, dtype=np.float32)
    if stack.shape != (len(motion.keep), *grid.shape):
        raise InputError(
            f"Expected maps of shape {(len(motion.keep), *grid.shape)}, got {stack.shape}."
        )
    out = np.full(stack.shape, np.nan, dtype=np.float32)
    for i, values in enumerate(stack):
        if i == motion.reference:
            out[i] = values
        elif motion.keep[i]:
            out[i] = _pulled(values, grid, motion, i)
    return out


def _pulled(values: np.ndarray, grid: Grid, motion: Motion, frame: int) -> np.ndarray:
    return resample(Image(values, grid), grid, lambda p: motion.moved(frame, p))


def _filled(values: np.ndarray) -> np.ndarray:
    from scipy import ndimage

    missing = ~np.isfinite(values)
    if not missing.any():
        return values
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return values[tuple(nearest)]


def _correlation(a: np.ndarray, b: np.ndarray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() < 16:
        return float("nan")
    x, y = a[both] - a[both].mean(), b[both] - b[both].mean()
    norm = np.sqrt((x.astype(float) ** 2).sum() * (y.astype(float) ** 2).sum())
    return float((x * y).sum() / norm) if norm > 0 else float("nan")


def _register(
    fixed: np.ndarray, moving: np.ndarray, grid: Grid, turns: bool
) -> tuple[np.ndarray, float]:
    """Shift in mm (depth, lateral) and turn in degrees of the tissue from fixed to moving."""
    import SimpleITK as sitk
    from skimage.registration import phase_cross_correlation

    start, _, _ = phase_cross_correlation(
        fixed - fixed.mean(), moving - moving.mean(), upsample_factor=4, normalization=None
    )
    shift = -np.asarray(start) * grid.spacing
    limits = np.array(grid.size) / 4
    shift = np.where(np.abs(shift) > limits, 0.0, shift)
    images = [_as_itk(values, grid) for values in (fixed, moving)]
    size = np.array(grid.size)
    centre = (float(size[1] / 2), float(size[0] / 2))
    transform: sitk.Transform
    if turns:
        transform = sitk.Euler2DTransform(centre, 0.0, (float(shift[1]), float(shift[0])))
    else:
        transform = sitk.TranslationTransform(2, (float(shift[1]), float(shift[0])))
    method = sitk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(
        learningRate=0.5,
        minStep=1e-4,
        numberOfIterations=100,
        relaxationFactor=0.5,
        gradientMagnitudeTolerance=1e-8,
    )
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([2, 1])
    method.SetSmoothingSigmasPerLevel([1, 0])
    method.SmoothingSigmasAreSpecifiedInPhysicalUnitsOff()
    method.SetInitialTransform(transform, inPlace=False)
    method.SetNumberOfThreads(1)  # sums in the same order give the same answer
    try:
        found = method.Execute(*images)
    except RuntimeError:
        # ITK stops where the two barely overlap; the similarity then rejects the frame.
        return shift, 0.0
    # Read off two points rather than the library's own parameters and centre.
    middle = np.array(found.TransformPoint(centre))
    beside = np.array(found.TransformPoint((centre[0] + 1.0, centre[1])))
    lateral, depth = middle - centre
    x, y = beside - middle
    # ITK's angle turns x towards y, that is lateral towards depth: ours is the other way round.
    return np.array([depth, lateral]), -float(np.degrees(np.arctan2(y, x)))


def _as_itk(values: np.ndarray, grid: Grid) -> object:
    """SimpleITK image in mm, x = lateral from the first edge pixel's centre."""
    import SimpleITK as sitk

    scaled = (values - values.mean()) / max(float(values.std()), 1e-12)
    image = sitk.GetImageFromArray(scaled.astype(np.float32))
    image.SetSpacing((grid.spacing[1], grid.spacing[0]))
    image.SetOrigin((grid.spacing[1] / 2, grid.spacing[0] / 2))
    return image
