"""What can be measured on a stained section that tells thermal damage from living tissue.

Pixels of a chosen size are measured one by one and averaged over square cells; a feature is made
of such averages around a place. `FEATURES` names them, with what each means for thermal damage.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Image, resample
from coreg.zones.nuclei import nuclei

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
        "nuclear_density",
        "nuclei per 0.01 mm²; 0 where pixels are larger than 4 µm",
        "haematoxylin blobs: fewer where nuclei vanish or oedema moves them apart",
        PRACTICE,
    ),
    Feature(
        "nuclear_size",
        "diameter in µm of a disc of the nuclei's mean area; 0 where pixels are larger than 4 µm",
        "shrunken where cells die (pyknosis), smudged and larger where they are heat-fixed",
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
        "how far the gradients of optical density share one direction, 0 to 1",
        "aligned fibres and tubules; muscle and vessel walls",
        PRACTICE,
    ),
)
NAMES = tuple(feature.name for feature in FEATURES)

# Optical density (decadic) below which a pixel holds no stain.
WHITE_OD = 0.06
# Glass and tissue are told apart on an overview with pixels of this size.
OVERVIEW_UM = 8.0
CELL_UM = 32.0
LARGEST_PIXEL_UM = 16.5
_DETAIL_UM, _GRAIN_UM, _TEXTURE_UM = 8.0, 2.0, 32.0
_STRIP_PX = 512
# What is averaged over cells: optical densities, stains, energies, the structure tensor.
_RAW = (
    "red",
    "green",
    "blue",
    "first",
    "second",
    "white",
    "detail",
    "grain",
    "texture",
    "down_down",
    "right_right",
    "down_right",
    "nuclei",
    "nuclear_area",
)


@dataclass(frozen=True)
class FeatureMaps:
    """What was measured on the cells of a section; `at` makes features of it.

    raw : float32 (measures, rows, columns), means over cells, 0 outside the tissue
    tissue : bool (rows, columns), cells that hold tissue
    grid : of the cells, frame "slide"
    pixel_um : size of the pixels that were measured
    stain_set : name of the stain set
    """

    raw: np.ndarray
    tissue: np.ndarray
    grid: Grid
    pixel_um: float
    stain_set: str
    names: tuple[str, ...] = NAMES

    def at(self, sigma_um: float) -> np.ndarray:
        """Features of the tissue around each cell, weighted by a Gaussian.

        Ratios are made of averages, not averages of ratios.

        Returns
        -------
        float32 (features, rows, columns) in the order of `names`; 0 where no tissue is near.
        """
        from scipy import ndimage

        sigma = [sigma_um / 1000 / s for s in self.grid.spacing]
        weight = ndimage.gaussian_filter(self.tissue.astype(np.float32), sigma, mode="constant")
        known = weight > 1e-3
        means = np.zeros_like(self.raw)
        for k, raw in enumerate(self.raw):
            part = ndimage.gaussian_filter(raw, sigma, mode="constant")
            np.divide(part, weight, out=means[k], where=known)
        return _features(means) * known

    def __getitem__(self, name: str) -> np.ndarray:
        """One feature averaged over about a cell, float32 (rows, columns), to look at."""
        cell_um = float(np.mean(self.grid.spacing)) * 1000
        return self.at(cell_um)[self.names.index(name)]


def compute(
    image: Image,
    stain_set: str | StainSet = "H&E",
    spacing_um: float = 8.0,
    *,
    cell_um: float = CELL_UM,
    progress: Progress | None = None,
) -> FeatureMaps:
    """Measure a section that is in memory.

    Parameters
    ----------
    image : RGB, (rows, columns, 3), uint8 or float in 0–1, frame "slide"
    stain_set : which stains, see `coreg.stain`
    spacing_um : pixel size at which it is measured, 2 to 16 µm; finer images are averaged to the
        nearest whole number of pixels, coarser ones are taken as they are. What tells nuclei apart
        needs 2 µm.
    cell_um : size of the cells, likewise to a whole number of pixels

    Raises
    ------
    InputError : not an RGB image, one without tissue, or pixels above 16 µm
    FrameError : an image of the imaging plane
    """
    if image.frame != "slide":
        raise FrameError("Zones are outlined on a slide, got an image of the imaging plane.")
    if image.data.ndim != 3 or image.data.shape[2] != 3:
        raise InputError(
            f"Expected an RGB image (rows, columns, 3) of a section, got {image.data.shape}."
        )
    coarse_um = max(image.grid.spacing) * 1000
    if coarse_um > LARGEST_PIXEL_UM:
        raise InputError(
            f"Zones cannot be told apart at {coarse_um:.3g} µm per pixel; "
            f"give an image of at most {LARGEST_PIXEL_UM:g} µm."
        )
    step = max(1, round(spacing_um / 1000 / float(np.mean(image.grid.spacing))))
    pixels = coarser(image.grid, step)
    factor = max(1, round(cell_um / 1000 / float(np.mean(pixels.spacing))))
    rows = _strip_rows(factor) * step
    strips = (
        _averaged(as_uint8(image.data[top : top + rows]), step)
        for top in range(0, image.grid.shape[0], rows)
    )
    stains = _Stains.of(_overview(image), stain_set)
    return _collect(strips, pixels, factor, stains, progress)


def compute_slide(
    slide: Slide,
    stain_set: str | StainSet = "H&E",
    spacing_um: float = 8.0,
    *,
    cell_um: float = CELL_UM,
    progress: Progress | None = None,
) -> FeatureMaps:
    """Measure a slide of any size as `compute` does, strip by strip in bounded memory.

    A slide of coarser pixels than `spacing_um` is measured at its own pixel size.
    """
    spacing = max(spacing_um / 1000, *slide.pixel_size)
    if spacing * 1000 > LARGEST_PIXEL_UM:
        raise InputError(
            f"Zones cannot be told apart at {spacing * 1000:.3g} µm per pixel; "
            f"give a slide of at most {LARGEST_PIXEL_UM:g} µm."
        )
    pixels = slide.levels[0].grid.with_spacing(spacing)
    factor = max(1, round(cell_um / 1000 / spacing))
    stains = _Stains.of(slide.image(max(OVERVIEW_UM / 1000, spacing)), stain_set)
    bands = (band for _, band in slide.bands(spacing, pixels))
    return _collect(_regroup(bands, _strip_rows(factor)), pixels, factor, stains, progress)


# Features that are shares of something and may be 0 or negative.
_SHARES = ("redness", "blue_excess", "white_fraction", "nuclear_grain", "coherence")


def comparable(maps: np.ndarray) -> np.ndarray:
    """Features (features, rows, columns) on scales on which differences compare.

    Amounts become natural logarithms, as stains and light act by factors; shares stay as they are.
    """
    out = maps.copy()
    for k, name in enumerate(NAMES):
        if name not in _SHARES:
            out[k] = np.log(np.maximum(maps[k], 1e-3))
    return out


def mixing(maps: np.ndarray) -> np.ndarray:
    """Features (features, rows, columns) on scales that are half-way where two tissues meet.

    Root mean squares are squared again: an average over an edge mixes energies, so that a limit
    half-way between two tissues' amplitudes, or their logarithms, would lie beside the edge.
    """
    out = maps.copy()
    for name in ("nuclear_contrast", "texture"):
        out[NAMES.index(name)] **= 2
    return out


def block_mean(values: np.ndarray, step: int) -> np.ndarray:
    """Means over blocks of step × step of the last two axes; far blocks may hold fewer values."""
    if step == 1:
        return values
    for axis in (values.ndim - 2, values.ndim - 1):
        starts = np.arange(0, values.shape[axis], step)
        sizes = np.diff(np.append(starts, values.shape[axis])).astype(np.float32)
        shape = [1] * values.ndim
        shape[axis] = len(sizes)
        values = np.add.reduceat(values, starts, axis=axis) / sizes.reshape(shape)
    return values


def coarser(grid: Grid, step: int) -> Grid:
    """The grid of the blocks that `block_mean` makes; edge blocks count as whole."""
    rows, columns = (-(-n // step) for n in grid.shape)
    origin = [o + (step - 1) / 2 * s for o, s in zip(grid.origin, grid.spacing, strict=True)]
    spacing = (grid.spacing[0] * step, grid.spacing[1] * step)
    return Grid((rows, columns), spacing, (origin[0], origin[1]), grid.frame)


def as_uint8(rgb: np.ndarray) -> np.ndarray:
    """Light as uint8; floats are taken as 0–1, NaN as white."""
    if rgb.dtype == np.uint8:
        return rgb
    return (np.clip(np.nan_to_num(rgb, nan=1.0), 0, 1) * 255 + 0.5).astype(np.uint8)


def _strip_rows(factor: int) -> int:
    return max(1, _STRIP_PX // factor) * factor


def _averaged(rgb: np.ndarray, step: int) -> np.ndarray:
    """Light averaged over blocks of step × step, uint8."""
    if step == 1:
        return rgb
    planes = block_mean(np.moveaxis(rgb, -1, 0).astype(np.float32), step)
    return np.rint(np.moveaxis(planes, 0, -1)).astype(np.uint8)


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
        unmix = np.linalg.inv(known.matrix)[:, :2].astype(np.float32)
        return cls(known.name, white, unmix, Image(tissue, overview.grid))


def _overview(image: Image) -> Image:
    """The image at about `OVERVIEW_UM` a pixel."""
    step = max(1, round(OVERVIEW_UM / 1000 / float(np.mean(image.grid.spacing))))
    return Image(_averaged(as_uint8(image.data), step), coarser(image.grid, step))


def _collect(
    strips: Iterable[np.ndarray],
    pixels: Grid,
    factor: int,
    stains: _Stains,
    progress: Progress | None,
) -> FeatureMaps:
    """Measure strips of pixels and average what is measured over cells."""
    grid = coarser(pixels, factor)
    pixel_um = float(np.mean(pixels.spacing)) * 1000
    halo = int(np.ceil(4 * _TEXTURE_UM / pixel_um / factor)) * factor
    raw = np.zeros((len(_RAW), *grid.shape), dtype=np.float32)
    done = 0
    for strip, inner in _with_halo(strips, halo):
        cells = _measure(strip, inner, stains, pixel_um, factor)
        raw[:, done : done + cells.shape[1]] = cells
        done += cells.shape[1]
        if progress is not None:
            progress(done / grid.shape[0], "measuring the section")
    tissue = resample(stains.tissue, grid, order=0, fill=0)
    raw *= tissue
    return FeatureMaps(raw, tissue, grid, pixel_um, stains.name)


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


def _measure(
    rgb: np.ndarray, inner: slice, stains: _Stains, pixel_um: float, factor: int
) -> np.ndarray:
    """Cell means of every measure over the inner rows, float32 (measures, rows, columns)."""
    from scipy import ndimage

    from coreg.stain import optical_density

    def blurred(values: np.ndarray, sigma_um: float) -> np.ndarray:
        return ndimage.gaussian_filter(values, sigma_um / pixel_um, truncate=3)

    od = optical_density(rgb, stains.white)
    stained = od @ stains.unmix
    density = od.mean(axis=-1)
    first = np.ascontiguousarray(stained[..., 0])
    smooth = blurred(density, _DETAIL_UM)
    down, right = np.gradient(smooth)
    nothing = np.zeros_like(first)
    middles, covered = nuclei(first, pixel_um)
    measures = (
        od[..., 0],
        od[..., 1],
        od[..., 2],
        first,
        stained[..., 1],
        (density < WHITE_OD).astype(np.float32),
        (first - blurred(first, _DETAIL_UM)) ** 2,
        (first - blurred(first, _GRAIN_UM)) ** 2 if pixel_um <= 2 * _GRAIN_UM else nothing,
        (smooth - blurred(density, _TEXTURE_UM)) ** 2,
        down**2,
        right**2,
        down * right,
        middles * np.float32(1e4 / pixel_um**2),
        covered,
    )
    return np.stack([block_mean(np.ascontiguousarray(m[inner]), factor) for m in measures])


def _features(means: np.ndarray) -> np.ndarray:
    """Features in the order of `FEATURES` from means in the order of `_RAW`."""
    red, green, blue, first, second, white, detail, grain, texture, dd, rr, dr = means[:12]
    density, covered = means[12:]
    total = red + green + blue
    safe = np.maximum(total, 3 * WHITE_OD)
    return np.stack(
        [
            first,
            second,
            total / 3,
            ((green + blue) / 2 - red) / safe,
            (blue - green) / safe,
            white,
            np.sqrt(detail) / np.maximum(np.abs(first), 0.02),
            np.clip(grain / np.maximum(detail, 1e-7), 0, 2),
            density,
            # Covered area a nucleus, as a diameter; few nuclei tell little of their size.
            np.sqrt(4 / np.pi * 1e4 * covered / np.maximum(density, 0.2)),
            np.sqrt(texture) * 3 / safe,
            np.sqrt((dd - rr) ** 2 + 4 * dr**2) / np.maximum(dd + rr, 1e-9),
        ]
    ).astype(np.float32)
