"""Align two images: coarse search, then affine, then a smooth displacement, coarse to fine.

Images, landmarks and outlines are terms of one optimisation (Gauss–Newton on a cubic B-spline
lattice). The prior on the displacement is what tissue allows; the curvature at the optimum gives
the posterior that states the error.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

from coreg.alignment.coarse import Candidate, CoarseOptions, search
from coreg.alignment.contrast import Feature, density
from coreg.alignment.lattice import Lattice, Tilted
from coreg.alignment.linear import shrinkage_of
from coreg.alignment.posterior import as_warp, curvature_posterior, judged_posterior
from coreg.alignment.terms import ImageTerm, Term, solve
from coreg.alignment.uncertainty import Posterior
from coreg.alignment.workspace import NoOverlap, Sides, Workspace
from coreg.errors import FrameError, InputError
from coreg.geometry import Image, Outline
from coreg.landmark_pairs import LandmarkPairs
from coreg.transforms import Affine, Transform, Warp

Metric = Literal["squared differences", "mutual information"]
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Level:
    """One resolution of the refinement.

    size_px : pixels along the longer side of the plane
    knots : lattice pieces along it; 0 refines the affine map only
    blur, window : of the features, in pixels of this level
    iterations : Gauss–Newton steps at most
    """

    size_px: int
    knots: int
    blur: float
    window: float
    iterations: int


DEFAULT_LEVELS = (
    Level(56, 0, 1.0, 4, 18),
    Level(80, 0, 1.0, 4, 18),
    Level(112, 0, 1.2, 5, 18),
    Level(112, 6, 1.2, 6, 8),
    Level(224, 12, 1.2, 8, 6),
    Level(660, 20, 1.5, 14, 4),
)


_STEPS_A_ROUND = 3


@dataclass(frozen=True)
class IntensityOptions:
    """Settings of `align_images`; the defaults suit sections of one block in any stains.

    features : maps to compare (see `coreg.alignment.contrast`); () leaves the images out, so that
        landmarks and outlines decide alone
    metric : "squared differences" of the maps, or their "mutual information" where dark in one may
        be bright, or both, in the other
    strain : standard deviation of local stretch that tissue is taken to have beyond the affine part
    bend_length : length over which the displacement is alike, as a share of the plane's longer side
        (where landmarks and outlines decide alone, the case's own strain and spreads are judged
        from them, starting from these; see `coreg.alignment.posterior`)
    area_range : local area of slide per plane, relative to the affine part, never left
    landmark_sd_mm : where the pairs do not say
    outline_sd_mm : how far faithful outlines of the two sides lie apart
    image_weight : multiplies the images' say against landmarks, outlines and prior
    refine : how many coarse candidates are refined before one is chosen
    """

    features: tuple[Feature, ...] = ("edges", "density")
    metric: Metric = "squared differences"
    levels: tuple[Level, ...] = DEFAULT_LEVELS
    coarse: CoarseOptions = field(default_factory=CoarseOptions)
    strain: float = 0.1
    bend_length: float = 0.12
    area_range: tuple[float, float] = (0.3, 3.0)
    landmark_sd_mm: float = 0.3
    outline_sd_mm: float = 0.4
    image_weight: float = 1.0
    refine: int = 4

    def __post_init__(self) -> None:
        if self.metric not in get_args(Metric):
            raise InputError(
                f"Unknown metric {self.metric!r}; expected 'squared differences' or "
                "'mutual information'."
            )


@dataclass(frozen=True)
class ImageFit:
    """A map found from images (and landmarks and outlines), and how far it may be off.

    similarity : correlation of the compared maps at the end times the share of the plane seen
    candidates : the coarse ways that were tried, best first; empty where a start was given
    area_range : least and largest local area relative to the affine part
    """

    transform: Warp
    posterior: Posterior
    similarity: float
    candidates: tuple[Candidate, ...]
    area_range: tuple[float, float]
    options: IntensityOptions

    @property
    def affine(self) -> Affine:
        """The affine part of the map."""
        return self.transform.affine

    @property
    def mirrored(self) -> bool:
        """Whether the section lies face down."""
        return self.affine.mirrored

    @property
    def shrinkage(self) -> tuple[float, float]:
        """Fraction by which the section is smaller than the plane along (depth, lateral)."""
        return shrinkage_of(self.affine.matrix)


def align_images(
    plane_image: Image,
    slide_image: Image,
    options: IntensityOptions | None = None,
    *,
    initial: Transform | None = None,
    plane_mask: np.ndarray | None = None,
    slide_mask: np.ndarray | None = None,
    landmarks: LandmarkPairs | None = None,
    tissue_plane: Sequence[Outline] = (),
    tissue_slide: Sequence[Outline] = (),
    progress: Progress | None = None,
) -> ImageFit:
    """Find the map from the imaging plane to the slide.

    Parameters
    ----------
    plane_image, slide_image : grey or RGB, each on a grid of its own frame
    initial : where to start; None searches all turns, faces and scales
    plane_mask, slide_mask : bool of the images' shapes, False where there is nothing to compare
        (torn, folded, missing): masked out, not bridged
    landmarks : pairs that pull on the map, by their spread
    tissue_plane, tissue_slide : outlines that come to lie on each other; both or neither

    Raises `InputError` where nothing overlaps, `FrameError` where the frames are exchanged.
    """
    options = options or IntensityOptions()
    sides = _sides(plane_image, slide_image, plane_mask, slide_mask)
    work = Workspace(sides, options, landmarks, tuple(tissue_plane), tuple(tissue_slide))
    say = progress or (lambda fraction, text: None)
    candidates: tuple[Candidate, ...] = ()
    if initial is None:
        candidates = tuple(_candidates(work, say))
        affine = _best_of(work, [c.transform for c in candidates[: options.refine]], say)
    else:
        from coreg.alignment.quality import affine_part

        start = affine_part(initial, work.grid(32).centres())
        affine = _best_of(work, [start], say)
    term, terms, lattice, coefficients = _bend(work, affine, say)
    say(0.95, "Stating the error")
    if term is None:
        coefficients, posterior = judged_posterior(affine, lattice, coefficients, terms, options)
    else:
        posterior = curvature_posterior(affine, lattice, coefficients, terms, options)
    transform = as_warp(affine, lattice, coefficients)
    area = _area_range(lattice, coefficients)
    similarity = float("nan") if term is None else term.similarity(lattice.field(coefficients))
    return ImageFit(transform, posterior, similarity, candidates, area, options)


def coarse_candidates(
    plane_image: Image,
    slide_image: Image,
    options: IntensityOptions | None = None,
    *,
    plane_mask: np.ndarray | None = None,
    slide_mask: np.ndarray | None = None,
    landmarks: LandmarkPairs | None = None,
    tissue_plane: Sequence[Outline] = (),
    tissue_slide: Sequence[Outline] = (),
    progress: Progress | None = None,
) -> list[Candidate]:
    """The ways in which the section may lie, best first; arguments as for `align_images`.

    Landmarks decide where there are two or more; else the outlines of tissue where both sides have
    them; else the images.
    """
    sides = _sides(plane_image, slide_image, plane_mask, slide_mask)
    work = Workspace(
        sides, options or IntensityOptions(), landmarks, tuple(tissue_plane), tuple(tissue_slide)
    )
    return _candidates(work, progress or (lambda fraction, text: None))


def _sides(
    plane_image: Image,
    slide_image: Image,
    plane_mask: np.ndarray | None,
    slide_mask: np.ndarray | None,
) -> Sides:
    for image, frame in ((plane_image, "plane"), (slide_image, "slide")):
        if image.frame != frame:
            raise FrameError(f"Expected an image in {frame} mm, got frame {image.frame!r}.")
    masks = []
    for image, mask in ((plane_image, plane_mask), (slide_image, slide_mask)):
        known = np.ones(image.grid.shape, dtype=bool) if mask is None else np.asarray(mask, bool)
        if known.shape != image.grid.shape:
            raise InputError(
                f"Expected a mask of shape {image.grid.shape}, got {known.shape}; "
                "give one value a pixel of its image."
            )
        masks.append(known)
    return Sides(density(plane_image), masks[0], density(slide_image), masks[1])


def _candidates(work: Workspace, say: Progress) -> list[Candidate]:
    def part(fraction: float, text: str) -> None:
        say(0.3 * fraction, text)

    given = work.landmark_candidates()
    if given:
        return given
    plane, plane_mask, slide, slide_mask = work.coarse_pair()
    return search(plane, plane_mask, slide, slide_mask, work.options.coarse, part)


def _best_of(work: Workspace, starts: list[Affine], say: Progress) -> Affine:
    """Refine each start as an affine map, coarse to fine, and take the one that fits best."""
    levels = [v for v in work.options.levels if not v.knots] or [work.options.levels[0]]
    found: list[tuple[float, Affine]] = []
    for count, start in enumerate(starts):
        say(0.3 + 0.2 * count / len(starts), "Comparing the best ways")
        try:
            affine, score = start, -np.inf
            for level in levels:
                affine, score = _refined(work, affine, level)
            found.append((score, affine))
        except NoOverlap:
            continue
    if not found:
        raise NoOverlap("The images do not overlap in any of the ways tried; check the masks.")
    return max(found, key=lambda pair: pair[0])[1]


def _refined(work: Workspace, affine: Affine, level: Level) -> tuple[Affine, float]:
    """The affine map after Gauss–Newton steps, and how well it fits (higher is better)."""
    grid = work.grid(level.size_px)
    basis = Tilted(grid)
    corners = basis.at(grid.to_mm([(0, 0), (0, grid.shape[1]), (grid.shape[0], 0), grid.shape]))
    # The slide is brought over anew after a few steps each, since it is only seen a little beyond
    # the plane's edges.
    for _ in range(-(-level.iterations // _STEPS_A_ROUND)):
        _, terms = work.terms(affine, grid, level)
        coefficients, _ = solve(
            basis,
            terms,
            1e-9 * np.eye(3),
            np.zeros((3, 2)),
            iterations=_STEPS_A_ROUND,
            tolerance_mm=0.02 * grid.spacing[0],
            area_range=(0.4, 2.5),
        )
        affine = _composed(affine, basis, coefficients)
        if np.abs(corners @ coefficients).max() < 0.1 * grid.spacing[0]:
            break
    return affine, work.score(affine, grid, level)


def _composed(affine: Affine, basis: Tilted, coefficients: np.ndarray) -> Affine:
    """``affine(p + u(p))`` as one affine map."""
    inner = np.eye(2) + coefficients[1:].T / basis.scale
    shift = coefficients[0] - coefficients[1:].T @ basis.centre / basis.scale
    return Affine(affine.matrix @ inner, affine.matrix @ shift + affine.offset)


def _bend(
    work: Workspace, affine: Affine, say: Progress
) -> tuple[ImageTerm | None, list[Term], Lattice, np.ndarray]:
    lattice: Lattice | None = None
    coefficients = np.empty((0, 2))
    longest = max(work.sides.plane.grid.size)
    for count, level in enumerate(work.options.levels):
        say(0.5 + 0.45 * count / len(work.options.levels), "Refining")
        grid = work.grid(level.size_px)
        if not level.knots:
            continue
        finer = Lattice(grid, longest / level.knots)
        coefficients = (
            np.zeros((finer.size, 2)) if lattice is None else finer.carried(lattice, coefficients)
        )
        lattice = finer
        term, terms = work.terms(affine, grid, level)
        coefficients, _ = solve(
            lattice,
            terms,
            lattice.prior(work.options.strain, work.options.bend_length * longest),
            coefficients,
            iterations=level.iterations,
            tolerance_mm=0.05 * grid.spacing[0],
            area_range=work.options.area_range,
        )
    if lattice is None:
        raise InputError("No level of the options bends the map; give one with knots above 0.")
    return term, terms, lattice, coefficients


def _area_range(lattice: Lattice, coefficients: np.ndarray) -> tuple[float, float]:
    area = np.linalg.det(np.eye(2) + lattice.gradient(coefficients))
    return float(area.min()), float(area.max())
