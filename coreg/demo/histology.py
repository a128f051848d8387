"""The stained section, painted region by region at any pixel size.

Every pixel's colour depends on its own position alone, so that a slide painted tile by tile has the
same bytes as one painted whole.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from coreg.demo import section, textures
from coreg.demo.stains import stain_matrix, to_rgb
from coreg.geometry import Grid

if TYPE_CHECKING:
    from coreg.demo.simulated import Simulated

MAP_SPACING_MM = 0.05
DISRUPTED_C = 82.0
# Angle in degrees at which each texture lies in the tissue, so that tiles do not line up.
ANGLES = {"tumour": 37, "cortex": 71, "fat": 55, "blood": 23}
GLASS_NOISE = 1.2
# Smooth random maps over the tissue and their wavelengths in µm.
PATCHES = {
    "bend y": 1500.0,
    "bend x": 1500.0,
    "infiltration": 420.0,
    "band": 700.0,
    "septa": 800.0,
    "thickness": 5200.0,
    "unevenness": 900.0,
    "chatter": 2000.0,
    "clot": 800.0,
    "necrosis": 1500.0,
    "fixation": 450.0,
    "pallor": 900.0,
    "swelling": 600.0,
    "bleeding": 1300.0,
    "small bleeds": 650.0,
}


def rise(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """0 below `low`, 1 above `high`, smooth between."""
    t = np.clip((values - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


class Renderer:
    """Paints one simulated section."""

    def __init__(self, simulated: Simulated) -> None:
        self.scenario = simulated.scenario
        self.matrix = stain_matrix(self.scenario)
        self.grid = simulated.zones_slide_grid.with_spacing(MAP_SPACING_MM)
        self._offset_um = self.scenario.rng("texture").uniform(0, 5e4, size=2)
        self._maps = self._sample(simulated)
        along = simulated.animal.anatomy.axes[1][:2]
        # The straight tubules run towards the papilla.
        self._medulla_deg = float(np.rad2deg(np.arctan2(along[1], along[0])))

    def _sample(self, simulated: Simulated) -> dict[str, np.ndarray]:
        """Smooth maps over the slide from which every pixel is interpolated, float32."""
        points = self.grid.centres()
        plane = simulated.plane_of_slide(points)
        state = simulated.animal.state(section.cut_points(self.scenario, plane))
        levels = state.levels
        maps = {
            "y": plane[:, 0] * 1000 + self._offset_um[0],
            "x": plane[:, 1] * 1000 + self._offset_um[1],
            "tissue": levels.tissue,
            "kidney": levels.kidney,
            "medulla": levels.medulla,
            "sinus": levels.sinus,
            "vessel": levels.vessel,
            "tumour": levels.tumour,
            "ablation": state.ablation,
            "rim": state.rim,
            "peak": state.peak_c,
        }
        if simulated.tear is not None:
            maps["tear"] = simulated.tear.level(points)
        look = _Sampler(maps["y"], maps["x"], 0)
        for number, (name, wavelength_um) in enumerate(PATCHES.items()):
            maps[name] = look.noise(number, wavelength_um)
        return {
            name: np.asarray(values, dtype=np.float32).reshape(self.grid.shape)
            for name, values in maps.items()
        }

    def region(self, grid: Grid, start: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
        """Paint part of a slide.

        Parameters
        ----------
        grid : the whole picture's pixels, frame "slide"
        start, shape : first pixel and size of the part, (row, column); may reach past the edge,
            where there is glass

        Returns
        -------
        (*shape, 3) uint8 RGB
        """
        rows = self._along(grid, 0, start[0], shape[0])
        columns = self._along(grid, 1, start[1], shape[1])
        level = int(np.clip(round(np.log2(grid.spacing[0] * 1000)), 0, textures.LEVELS - 1))
        size_um = grid.spacing[0] * 1000
        amounts = np.zeros((shape[0] * shape[1], 3), dtype=np.float32)
        tissue = self._upsample("tissue", rows, columns).ravel()
        near = np.flatnonzero(tissue > -0.1)
        if len(near):
            fields = {
                name: self._upsample(name, rows, columns).ravel()[near] for name in self._maps
            }
            amounts[near] = _paint(fields, level, size_um, self._medulla_deg)
        rgb = to_rgb(amounts, self.matrix).reshape(*shape, 3)
        rgb += GLASS_NOISE * _grain(start, shape)[..., None]
        return np.clip(np.rint(rgb), 0, 255).astype(np.uint8)

    def _along(
        self, grid: Grid, axis: int, start: int, count: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Indices below and weights above, of pixels along one axis in the coarse maps."""
        mm = grid.origin[axis] + np.arange(start, start + count) * grid.spacing[axis]
        index = (mm - self.grid.origin[axis]) / self.grid.spacing[axis]
        index = np.clip(index, 0, self.grid.shape[axis] - 1.001)
        below = index.astype(int)
        return below, (index - below).astype(np.float32)

    def _upsample(
        self, name: str, rows: tuple[np.ndarray, np.ndarray], columns: tuple[np.ndarray, np.ndarray]
    ) -> np.ndarray:
        field = self._maps[name]
        (r, down), (c, right) = rows, columns
        low, high = c[0], c[-1] + 2
        strip = field[r, low:high] * (1 - down)[:, None] + field[r + 1, low:high] * down[:, None]
        return strip[:, c - low] * (1 - right) + strip[:, c - low + 1] * right


def _grain(start: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
    """The camera's noise at absolute pixels, SD about 1."""
    table = _grain_table()
    y = np.arange(start[0], start[0] + shape[0])
    x = np.arange(start[1], start[1] + shape[1])
    # Each row of blocks is shifted, so that the table's repetition makes no stripes.
    return table[(y % 509)[:, None], (x[None, :] + 197 * (y // 509)[:, None]) % 521]


@lru_cache(maxsize=1)
def _grain_table() -> np.ndarray:
    return np.random.default_rng(2026).standard_normal((509, 521), dtype=np.float32)


class _Sampler:
    """Looks textures up at n pixels, which lie at (y, x) in the tissue's own µm."""

    def __init__(self, y_um: np.ndarray, x_um: np.ndarray, level: int) -> None:
        self.y = np.asarray(y_um, dtype=np.float32)
        self.x = np.asarray(x_um, dtype=np.float32)
        self.level = level

    def bent(self, y: np.ndarray, x: np.ndarray) -> _Sampler:
        """The same pixels with textures bent by (y, x) µm, which hides that tiles repeat."""
        return _Sampler(self.y + y, self.x + x, self.level)

    def noise(self, number: int, wavelength_um: float) -> np.ndarray:
        """Smooth noise of SD 1; `number` picks one of several that are independent."""
        table = textures.smooth_noise(number % 4)
        y, x = _turned(self.y, self.x, 0.6 + 1.1 * number)
        scale = np.float32(16.0 / wavelength_um)
        at = (y * scale + np.float32(37 * number), x * scale + np.float32(91 * number))
        return _bilinear(table[..., None], *at)[:, 0]

    def texture(self, name: str, where: np.ndarray, degrees: float, extra: int = 0) -> np.ndarray:
        """Amounts (n, 3) of one texture at pixels `where`; `extra` levels coarser (blurred)."""
        level = min(self.level + extra, textures.LEVELS - 1)
        y, x = _turned(self.y[where], self.x[where], np.deg2rad(degrees))
        scale, half = np.float32(1.0 / 2**level), np.float32(0.5)
        return _bilinear(textures.tile(name, level), y * scale - half, x * scale - half)


def _turned(y: np.ndarray, x: np.ndarray, angle: float) -> tuple[np.ndarray, np.ndarray]:
    cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return y * cos - x * sin, y * sin + x * cos


def _bilinear(table: np.ndarray, y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Periodic linear interpolation of (rows, columns, channels) at n positions.

    The table's sides are powers of two.
    """
    rows, columns = table.shape[:2]
    y0, x0 = np.floor(y), np.floor(x)
    fy, fx = (y - y0)[:, None], (x - x0)[:, None]
    a, b = y0.astype(np.int32) & (rows - 1), x0.astype(np.int32) & (columns - 1)
    c, d = ((a + 1) & (rows - 1)) * columns, (b + 1) & (columns - 1)
    a *= columns
    flat = table.reshape(rows * columns, -1)
    top = flat.take(a + b, axis=0)
    top += (flat.take(a + d, axis=0) - top) * fx
    bottom = flat.take(c + b, axis=0)
    bottom += (flat.take(c + d, axis=0) - bottom) * fx
    top += (bottom - top) * fy
    return top


def _paint(f: dict[str, np.ndarray], level: int, size_um: float, medulla_deg: float) -> np.ndarray:
    """Stain amounts (n, 3) of pixels in or near the tissue."""
    straight = _Sampler(f["y"], f["x"], level)
    rough = straight.noise(2, 120.0)
    look = straight.bent(40.0 * f["bend y"], 40.0 * f["bend x"])
    soft = max(0.003, size_um / 1000.0)  # edges are one pixel wide, in mm
    amounts = _native(f, look, rough, soft, medulla_deg)
    core = rise(f["ablation"] + 0.15 * rough, -0.08, 0.08)
    _coagulate(f, look, rough, core, amounts)
    _disrupt(f, look, amounts)
    _rim(f, look, rough, core, amounts)
    # Thickness varies over the section, and the knife leaves faint chatter.
    thickness = 1 + 0.07 * f["thickness"] + 0.04 * f["unevenness"]
    thickness += 0.02 * np.sin(f["x"] * np.float32(2 * np.pi / 310.0) + 0.6 * f["chatter"])
    edge = rise(f["tissue"] + 0.012 * rough, -soft, soft)
    if "tear" in f:
        edge *= 1 - rise(f["tear"] + 0.02 * rough, -soft, soft)
    amounts *= (thickness * edge)[:, None]
    return amounts


def _native(
    f: dict[str, np.ndarray], look: _Sampler, rough: np.ndarray, soft: float, medulla_deg: float
) -> np.ndarray:
    """Untreated tissue: each texture where its structure lies, edges rough at the cells' scale."""
    amounts = np.zeros((len(rough), 3), dtype=np.float32)

    def lay(name: str, share: np.ndarray, degrees: float) -> None:
        where = np.flatnonzero(share > 0.002)
        if len(where):
            painted = look.texture(name, where, degrees)
            amounts[where] += share[where, None] * (painted - amounts[where])

    tumour = rise(f["tumour"] + 0.10 * rough + 0.12 * f["infiltration"], -0.03, 0.03)
    medulla = rise(f["medulla"] + 0.10 * rough, -0.15, 0.15)
    sinus = rise(f["sinus"] + 0.06 * rough, -0.03, 0.03)
    lay("cortex", ((tumour < 1) & (medulla < 1) & (sinus < 1)).astype(np.float32), ANGLES["cortex"])
    lay("medulla", np.where(tumour < 1, medulla, 0), medulla_deg)
    lay("fat", np.where(tumour < 1, sinus, 0), ANGLES["fat"])
    lay("tumour", tumour, ANGLES["tumour"])
    # A compressed fibrous band lies between tumour and kidney, the capsule around both.
    fibrous = 0.8 * np.exp(-np.square(f["tumour"] / 0.09)) * rise(f["kidney"], 0, 0.2)
    fibrous *= rise(f["band"], -1.2, 0.2)
    septa = (1 - tumour) * sinus * rise(f["septa"] + 0.2 * rough - 0.8, 0, 0.15)
    capsule = 1 - rise(f["tissue"] + 0.015 * rough, 0.05, 0.07)
    wall = rise(f["vessel"] + 0.01 * rough, -0.16, -0.16 + 2 * soft)
    lay("collagen", 1 - (1 - fibrous) * (1 - septa) * (1 - capsule) * (1 - wall), 12)
    lumen = rise(f["vessel"] + 0.01 * rough, 0, 2 * soft)
    amounts *= (1 - lumen)[:, None]
    # The lumen is partly filled with blood.
    filled = lumen * rise(f["clot"] + 0.2 * rough, 0.0, 0.15)
    where = np.flatnonzero(filled > 0.002)
    if len(where):
        amounts[where] += filled[where, None] * look.texture("blood", where, ANGLES["blood"])
    return amounts


def _coagulate(
    f: dict[str, np.ndarray],
    look: _Sampler,
    rough: np.ndarray,
    core: np.ndarray,
    amounts: np.ndarray,
) -> None:
    """Ghosts of the cells: outlines smudge, eosin rises, haematoxylin fades in part; in place.

    Tumours also die in patches of their own, which look alike though no heat made them.
    """
    own = rise(f["necrosis"] + 0.15 * rough - 0.95, 0, 0.35) * rise(f["tumour"], 0.3, 0.8)
    dead = np.maximum(core, 0.9 * own)
    where = np.flatnonzero(dead > 0.002)
    if not len(where):
        return
    in_tumour = f["tumour"][where] > 0
    blurred = np.empty((len(where), 3), dtype=np.float32)
    for name, chosen in (("tumour", in_tumour), ("cortex", ~in_tumour)):
        blurred[chosen] = look.texture(name, where[chosen], ANGLES[name], extra=2)
    ghost = 0.5 * (amounts[where] + blurred)
    # Where heating was quick and strong the nuclei are fixed and keep their stain, in patches;
    # elsewhere they fade unevenly.
    patch = f["fixation"][where] + 0.35 * rough[where]
    fixed = rise(f["peak"][where], 54.0, 70.0) * rise(patch, -0.7, 0.7)
    kept = 0.42 + 0.10 * patch + 0.45 * fixed
    pale = 0.35 * rise(-f["ablation"][where], -0.9, 0.0) * rise(f["pallor"][where], -1, 1)
    ghost[:, 0] = ghost[:, 0] * np.clip(kept, 0.2, 1.0) + 0.03
    ghost[:, 1] = (ghost[:, 1] * 0.8 + 0.17) * (1 - pale)
    ghost[:, 2] *= 0.8
    amounts[where] += dead[where, None] * (ghost - amounts[where])


def _disrupt(f: dict[str, np.ndarray], look: _Sampler, amounts: np.ndarray) -> None:
    """Open vacuoles where the tissue came near boiling; in place."""
    strength = rise(f["peak"], DISRUPTED_C, 97.0) * rise(f["ablation"], 0.3, 0.6)
    where = np.flatnonzero(strength > 0.002)
    if not len(where):
        return
    readiness = look.texture("vacuoles", where, 47.0)[:, 0]
    hole = rise(readiness - 0.75 * (1 - strength[where]), 0.0, 0.06)
    amounts[where] *= (1 - 0.97 * hole)[:, None]


def _rim(
    f: dict[str, np.ndarray],
    look: _Sampler,
    rough: np.ndarray,
    core: np.ndarray,
    amounts: np.ndarray,
) -> None:
    """The rim: pale and swollen within, bleeding without, both in patches; in place."""
    ring = rise(f["rim"] + 0.15 * rough, -0.15, 0.15) * (1 - core)
    where = np.flatnonzero(ring > 0.002)
    if len(where):
        swollen = ring[where] * rise(f["swelling"][where] + 0.3 * rough[where], -1.3, 1.3)
        amounts[where, 0] *= 1 - 0.45 * swollen
        amounts[where, 1] *= 1 - 0.50 * swollen
    bleeding = np.exp(-np.square((f["rim"] - 0.35) / 0.45)) * rise(f["rim"], -0.6, 0.0)
    bleeding *= 0.85 * rise(f["bleeding"] + 0.45 * rough, -0.3, 0.9)
    # Small bleeds occur anywhere.
    bleeding = np.maximum(bleeding, 0.7 * rise(f["small bleeds"] + 0.3 * rough - 2.0, 0, 0.4))
    where = np.flatnonzero(bleeding > 0.01)
    if len(where):
        red = look.texture("blood", where, ANGLES["blood"])
        amounts[where] += bleeding[where, None] * (red - 0.75 * amounts[where])
