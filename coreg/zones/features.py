"""What can be measured on a stained section that tells thermal damage from living tissue.

Every feature is a mean over square cells of about `spacing_um`, computed from finer pixels where
the image has them. `FEATURES` names them, with what each means for thermal damage.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Image, resample

if TYPE_CHECKING:
    from coreg.sources.slides import Slide
    from coreg.stain import StainSet

Progress = Callable[[float, str], None]

RIVENS = (
    "concentric zones of thermal ultrasound lesions in liver: Rivens et al., Int. J. Hyperthermia "
    "2024, doi 10.1080/02656736.2024.2389292"
)
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Feature:
    """One feature: its name, what it is, what it means for thermal damage, and who says so."""

    name: str
    what: str
    meaning: str
    source: str


# "First stain" and "second stain" are those of the stain set: haematoxylin and eosin, haematoxylin
# and chromogen, or a viability stain and the rest.
FEATURES: tuple[Feature, ...] = (
    Feature(
        "first_stain",
        "mean density of the first stain",
        "haematoxylin: nuclei fade and vanish in dead tissue (karyolysis); a viability stain: "
        "absent where cells are dead",
        PRACTICE,
    ),
    Feature(
        "second_stain",
        "mean density of the second stain",
        "eosin: coagulated cytoplasm takes more of it, disrupted tissue less",
        PRACTICE,
    ),
    Feature(
        "optical_density",
        "mean optical density over red, green and blue",
        "pallor: oedema and disrupted tissue absorb less (the pale band)",
        RIVENS,
    ),
    Feature(
        "redness",
        "optical density of green and blue against that of red, as a share of their sum",
        "red cells and eosin against nuclei: the haemorrhagic rim, the eosinophilic core",
        RIVENS,
    ),
    Feature(
        "blue_excess",
        "optical density of blue against that of green, as a share of their sum",
        "red cells absorb blue more than eosin does; chromogens are brown",
        PRACTICE,
    ),
    Feature(
        "white_fraction",
        "share of pixels without stain",
        "vacuoles, cavities and oedema; also lumina and airspaces of living tissue",
        RIVENS,
    ),
    Feature(
        "nuclear_contrast",
        "root mean square of the first stain's detail up to 8 µm, against its mean",
        "single dark nuclei on a paler ground; lost where nuclei fade",
        PRACTICE,
    ),
    Feature(
        "nuclear_grain",
        "share of that detail which is finer than 4 µm",
        "shrunken, condensed nuclei (pyknosis, karyorrhexis) are finer than living ones",
        PRACTICE,
    ),
    Feature(
        "texture",
        "root mean square of the optical density's detail from 8 to 32 µm, against its mean",
        "tubules, cords and septa; heat-fixed tissue is homogeneous",
        RIVENS,
    ),
    Feature(
        "coherence",
        "how far the gradients within a cell and its neighbours share one direction, 0 to 1",
        "aligned fibres and tubules; muscle and vessel walls",
        PRACTICE,
    ),
)
NAMES = tuple(feature.name for feature in FEATURES)

# Optical density (decadic) below which a pixel holds no stain.
WHITE_OD = 0.06
FINE_UM = 2.0
# Glass and tissue are told apart on an overview with pixels of this size.
OVERVIEW_UM = 24.0
_STRIP_CELLS = 64
_HALO_UM = 96.0


@dataclass(frozen=True)
class FeatureMaps:
    """Features on the cells of a section.

    values : float32 (rows, columns, features) in the order of `names`; 0 outside the tissue
    tissue : bool (rows, columns), cells that hold tissue
    grid : of the cells, frame "slide"
    pixel_um : size of the pixels that the features were computed from
    stain_set : name of the stain set
    """

    values: np.ndarray
    tissue: np.ndarray
    grid: Grid
    names: tuple[str, ...]
    pixel_um: float
    stain_set: str

    def __getitem__(self, name: str) -> np.ndarray:
        """One feature, float32 (rows, columns)."""
        return self.values[..., self.names.index(name)]

    def smoothed(self, sigma_um: float, step: int = 1) -> np.ndarray:
        """Means around every `step`-th cell, weighted by a Gaussian over the tissue only.

        Returns
        -------
        float32 (rows / step, columns / step, features), rounded up; 0 where there is no tissue
        within reach.
        """
        from scipy import ndimage

        tissue = self.tissue.astype(np.float32)
        area, _ = _every(self.grid, step)
        sigma = [sigma_um / 1000 / s / step for s in self.grid.spacing]
        weight = ndimage.gaussian_filter(block_mean(tissue, step), sigma, mode="constant")
        known = weight > 1e-4
        out = np.zeros((*area, len(self.names)), dtype=np.float32)
        for k in range(len(self.names)):
            part = block_mean(self.values[..., k] * tissue, step)
            part = ndimage.gaussian_filter(part, sigma, mode="constant")
            np.divide(part, weight, out=out[..., k], where=known)
        return out


def compute(
    image: Image,
    stain_set: str | StainSet = "H&E",
    spacing_um: float = 8.0,
    *,
    progress: Progress | None = None,
) -> FeatureMaps:
    """Compute the features of a section that is in memory.

    Parameters
    ----------
    image : RGB, (rows, columns, 3), uint8 or float in 0–1, frame "slide"
    stain_set : which stains, see `coreg.stain`
    spacing_um : wanted cell size; the nearest whole number of pixels is taken, so cells are never
        smaller than pixels. Details finer than the pixels are lost: what tells nuclei apart needs
        pixels of 2 µm or less.

    Raises
    ------
    InputError : not an RGB image, or one without tissue
    FrameError : an image of the imaging plane
    """
    if image.frame != "slide":
        raise FrameError("Zones are outlined on a slide, got an image of the imaging plane.")
    if image.data.ndim != 3 or image.data.shape[2] != 3:
        raise InputError(
            f"Expected an RGB image (rows, columns, 3) of a section, got {image.data.shape}."
        )
    factor = max(1, round(spacing_um / 1000 / float(np.mean(image.grid.spacing))))
    stains = _Stains.of(_overview(image), stain_set)
    rows = _STRIP_CELLS * factor
    strips = (image.data[top : top + rows] for top in range(0, image.grid.shape[0], rows))
    return _collect(strips, image.grid, factor, stains, progress)


def compute_slide(
    slide: Slide,
    stain_set: str | StainSet = "H&E",
    spacing_um: float = 8.0,
    *,
    fine_um: float = FINE_UM,
    progress: Progress | None = None,
) -> FeatureMaps:
    """Compute the features of a slide of any size, strip by strip in bounded memory.

    Parameters
    ----------
    slide : an open slide
    spacing_um : wanted cell size, as in `compute`
    fine_um : pixel size at which the slide is read
    """
    factor = max(1, round(spacing_um / fine_um))
    fine = slide.levels[0].grid.with_spacing(fine_um / 1000)
    stains = _Stains.of(slide.image(max(OVERVIEW_UM / 1000, *slide.pixel_size)), stain_set)
    bands = (band for _, band in slide.bands(fine_um / 1000, fine))
    return _collect(_regroup(bands, _STRIP_CELLS * factor), fine, factor, stains, progress)


def block_mean(values: np.ndarray, step: int) -> np.ndarray:
    """Means over blocks of step × step; blocks at the far edges may hold fewer values."""
    if step == 1:
        return values
    for axis in (0, 1):
        starts = np.arange(0, values.shape[axis], step)
        sizes = np.diff(np.append(starts, values.shape[axis])).astype(values.dtype)
        shape = [1] * values.ndim
        shape[axis] = len(sizes)
        values = np.add.reduceat(values, starts, axis=axis) / sizes.reshape(shape)
    return values


def coarser(grid: Grid, step: int) -> Grid:
    """The grid of the blocks that `block_mean` makes; edge blocks count as whole."""
    shape, origin = _every(grid, step)
    spacing = (grid.spacing[0] * step, grid.spacing[1] * step)
    return Grid(shape, spacing, origin, grid.frame)


def _every(grid: Grid, step: int) -> tuple[tuple[int, int], tuple[float, float]]:
    rows, columns = (-(-n // step) for n in grid.shape)
    origin = [o + (step - 1) / 2 * s for o, s in zip(grid.origin, grid.spacing, strict=True)]
    return (rows, columns), (origin[0], origin[1])


def _regroup(bands: Iterable[np.ndarray], rows: int) -> Iterator[np.ndarray]:
    """Bands of any height as strips of `rows` rows; the last may be lower."""
    waiting: list[np.ndarray] = []
    height = 0
    for band in bands:
        waiting.append(band)
        height += len(band)
        while height >= rows:
            joined = np.concatenate(waiting)
            yield joined[:rows]
            waiting, height = [joined[rows:]], height - rows
    if height:
        yield np.concatenate(waiting)


@dataclass(frozen=True)
class _Stains:
    """How light becomes stain on this section, and where its tissue is.

    white : (3,), the glass; unmix : (3, 2), optical density to the first two stains
    tissue : of an overview of the section
    """

    name: str
    white: np.ndarray
    unmix: np.ndarray
    tissue: Image

    @classmethod
    def of(cls, overview: Image, stains: str | StainSet) -> _Stains:
        from coreg.stain import stain_set, tissue_mask, white_point

        known = stain_set(stains) if isinstance(stains, str) else stains
        white = white_point(overview)
        tissue = tissue_mask(overview, stains=known, white=white)
        if not tissue.any():
            raise InputError("There is no tissue on this image; check which slide was given.")
        unmix = np.linalg.inv(known.matrix)[:, :2]
        return cls(known.name, white, unmix, Image(tissue, overview.grid))

    def optical_density(self, rgb: np.ndarray) -> np.ndarray:
        """Decadic optical density, float32 (rows, columns, 3), of uint8 light."""
        from coreg.stain import optical_density

        return optical_density(rgb, self.white)


def _overview(image: Image) -> Image:
    """The image at about `OVERVIEW_UM` a pixel."""
    step = max(1, round(OVERVIEW_UM / 1000 / float(np.mean(image.grid.spacing))))
    reduced = block_mean(as_uint8(image.data).astype(np.float32), step)
    return Image(np.rint(reduced).astype(np.uint8), coarser(image.grid, step))


def as_uint8(rgb: np.ndarray) -> np.ndarray:
    """Light as uint8; floats are taken as 0–1."""
    if rgb.dtype == np.uint8:
        return rgb
    return (np.clip(np.nan_to_num(rgb, nan=1.0), 0, 1) * 255 + 0.5).astype(np.uint8)


def _collect(
    strips: Iterable[np.ndarray],
    fine: Grid,
    factor: int,
    stains: _Stains,
    progress: Progress | None,
) -> FeatureMaps:
    """Reduce strips of fine pixels to cells, and cells to features."""
    grid = coarser(fine, factor)
    pixel_um = float(np.mean(fine.spacing)) * 1000
    halo = int(np.ceil(4 * _DETAIL_UM / pixel_um / factor)) * factor
    raw = np.zeros((*grid.shape, len(_RAW)), dtype=np.float32)
    done = 0
    for strip, inner in _with_halo(strips, halo):
        cells = block_mean(_raw_cells(strip, stains, pixel_um)[inner], factor)
        raw[done : done + len(cells)] = cells
        done += len(cells)
        if progress is not None:
            progress(0.9 * done / grid.shape[0], "measuring features")
    if done != grid.shape[0]:
        raise InputError(f"Expected {grid.shape[0]} rows of cells, got {done}; read it again.")
    tissue = resample(stains.tissue, grid, order=0, fill=0)
    return _finish(raw, tissue, grid, pixel_um, stains.name)


def _with_halo(strips: Iterable[np.ndarray], halo: int) -> Iterator[tuple[np.ndarray, slice]]:
    """Each strip between the last rows of the one before and the first of the one after."""
    before: np.ndarray | None = None
    current: np.ndarray | None = None
    for following in strips:
        if current is not None:
            yield _joined(before, current, following[:halo])
            before = current[-halo:]
        current = following
    if current is not None:
        yield _joined(before, current, None)


def _joined(
    before: np.ndarray | None, current: np.ndarray, after: np.ndarray | None
) -> tuple[np.ndarray, slice]:
    parts = [part for part in (before, current, after) if part is not None]
    start = 0 if before is None else len(before)
    return np.concatenate(parts), slice(start, start + len(current))


_DETAIL_UM = 8.0
_GRAIN_UM = 4.0
_RAW = ("red", "green", "blue", "first", "second", "white", "detail", "grain")


def _raw_cells(rgb: np.ndarray, stains: _Stains, pixel_um: float) -> np.ndarray:
    """What is averaged over cells, float32 (rows, columns, 8), at every fine pixel."""
    from scipy import ndimage

    od = stains.optical_density(as_uint8(rgb))
    raw = np.empty((*od.shape[:2], len(_RAW)), dtype=np.float32)
    raw[..., 0:3] = od
    raw[..., 3:5] = od @ stains.unmix.astype(np.float32)
    raw[..., 5] = od.mean(axis=-1) < WHITE_OD
    first = np.ascontiguousarray(raw[..., 3])
    detail = first - ndimage.gaussian_filter(first, _DETAIL_UM / pixel_um, truncate=3)
    raw[..., 6] = detail**2
    if pixel_um <= _GRAIN_UM:
        grain = first - ndimage.gaussian_filter(first, _GRAIN_UM / 2 / pixel_um, truncate=3)
        raw[..., 7] = grain**2
    else:
        raw[..., 7] = 0
    return raw


def _finish(
    raw: np.ndarray, tissue: np.ndarray, grid: Grid, pixel_um: float, stain_set: str
) -> FeatureMaps:
    """Features from cell means, in the order of `FEATURES`."""
    from scipy import ndimage

    cell_um = float(np.mean(grid.spacing)) * 1000
    around = 16.0 / cell_um
    red, green, blue, first, second, white, detail, grain = np.moveaxis(raw, -1, 0)
    total = red + green + blue
    density = total / 3
    safe = np.maximum(total, 3 * WHITE_OD)

    def local(values: np.ndarray, scale: float = around) -> np.ndarray:
        return ndimage.gaussian_filter(values, scale)

    mean_first = np.maximum(local(first), 0.02)
    detail_energy = local(detail)
    band = local(density, 8 / cell_um) - local(density, 32 / cell_um)
    mean_density = np.maximum(local(density, 2 * around), WHITE_OD)
    values = np.stack(
        [
            first,
            second,
            density,
            ((green + blue) / 2 - red) / safe,
            (blue - green) / safe,
            white,
            np.sqrt(detail_energy) / mean_first,
            np.clip(local(grain) / np.maximum(detail_energy, 1e-6), 0, 1),
            np.sqrt(local(band**2, 2 * around)) / mean_density,
            _coherence(local(density, 8 / cell_um), 2 * around),
        ],
        axis=-1,
    ).astype(np.float32)
    values[~tissue] = 0
    return FeatureMaps(values, tissue, grid, NAMES, pixel_um, stain_set)


def _coherence(density: np.ndarray, scale: float) -> np.ndarray:
    """Coherence of the structure tensor: (λ1 − λ2) / (λ1 + λ2), 0 where there is no gradient."""
    from scipy import ndimage

    row, column = np.gradient(density)
    rr, cc, rc = (ndimage.gaussian_filter(x, scale) for x in (row**2, column**2, row * column))
    trace = rr + cc
    return np.sqrt((rr - cc) ** 2 + 4 * rc**2) / np.maximum(trace, 1e-9)
